"""What the log says: who counts as evidence, and what closes what (reckoning.md §2, §5, §6)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from nightround.reckoning.evidence import digest
from nightround.reckoning.facts import Entry, Evidence

from .build import d

START = datetime(2026, 11, 1, 9, 0, tzinfo=UTC)
GOOD = {"self-test": "ok", "battery": "4/4", "pads": "ok"}


def entry(
    kind: str, days: int = 0, *, known: bool = True, note: str = "", part: dict[str, str] | None = None, **readings: str
) -> Entry:
    at = START + timedelta(days=days)
    named = {name.replace("_", "-"): value for name, value in readings.items()}
    return Entry(at, at.date(), kind, known, named, part or {}, note)


def check(days: int, *, known: bool = True, **readings: str) -> Entry:
    return entry("check", days, known=known, **readings)


def test_nothing_logged_is_nothing_known() -> None:
    assert digest([]) == Evidence()


def test_a_passer_by_cannot_record_that_all_is_well() -> None:
    assert digest([check(0, known=False, self_test="ok")]).looked_on is None


def test_a_passer_by_can_report_a_fault() -> None:
    found = digest(
        [check(0), check(1, known=False, self_test="fault"), entry("fault", 2, known=False, note="it beeps")]
    )
    assert found.fault_on == d("2026-11-02")
    assert found.fault == "it beeps"
    assert found.looked_on == d("2026-11-01")


def test_only_a_known_persons_good_reading_closes_a_fault() -> None:
    log = [entry("fault", 0, known=False), check(1, known=False, self_test="ok")]
    assert digest(log).fault_on == d("2026-11-01")
    assert digest([*log, check(2)]).fault_on == d("2026-11-01")  # looked, but the light was not noted
    assert digest([*log, check(3, self_test="ok")]).fault_on is None


def test_a_wider_check_holds_the_narrower_ones() -> None:
    found = digest([check(0, scope="inspection"), check(1, scope="test"), check(2)])
    assert (found.inspected_on, found.tested_on, found.looked_on) == (d("2026-11-01"), d("2026-11-02"), d("2026-11-03"))


def test_backdated_entries_are_reckoned_by_their_time() -> None:
    assert digest([check(5), check(1)]).looked_on == d("2026-11-06")


def test_a_better_reading_does_not_undo_a_low_battery_unless_a_new_one_was_fitted() -> None:
    log = [check(0, battery="1/4"), check(1, battery="4/4")]
    assert digest(log).battery_low_on == d("2026-11-01")
    assert digest([*log, entry("fitted", 2, part={"kind": "battery"})]).battery_low_on is None
    assert digest([*log, entry("fitted", 2, known=False, part={"kind": "battery"})]).battery_low_on == d("2026-11-01")


def test_bars_are_read_as_low_and_empty() -> None:
    assert digest([check(0, battery="0/4")]).battery_empty_on == d("2026-11-01")
    assert digest([check(0, battery="2/4")]) == Evidence(looked_on=d("2026-11-01"))
    assert digest([check(0, battery="1/1")]).battery_low_on is None


def test_a_use_is_restored_by_pads_fitted_and_then_an_all_good_check() -> None:
    used = [check(0), entry("used", 1, known=False)]
    assert digest(used).used_at == START + timedelta(days=1)
    pads = entry("fitted", 2, part={"kind": "pads-adult"})
    good = Entry(START + timedelta(days=3), d("2026-11-04"), "check", True, GOOD, {}, "")
    assert digest([*used, pads]).used_at is not None
    assert digest([*used, good]).used_at is not None  # no new pads
    assert (
        digest([*used, good._replace(at=START + timedelta(days=1, hours=1)), pads]).used_at is not None
    )  # wrong order
    bad = good._replace(readings=GOOD | {"seal": "broken"})
    assert digest([*used, pads, bad]).used_at is not None
    restored = digest([*used, pads, good])
    assert restored.used_at is None
    assert restored.last_used_on == d("2026-11-02")


def test_only_a_known_person_withdraws_and_returns() -> None:
    assert digest([entry("withdrawn", 0, known=False)]).withdrawn_on is None
    assert digest([entry("withdrawn", 0)]).withdrawn_on == d("2026-11-01")
    assert digest([entry("withdrawn", 0), entry("returned", 1, known=False)]).withdrawn_on == d("2026-11-01")
    assert digest([entry("withdrawn", 0), entry("returned", 1)]).withdrawn_on is None


def test_an_order_covers_until_the_part_is_fitted() -> None:
    order = entry("ordered", 0, part={"kind": "battery", "expected": "2026-12-01"})
    assert digest([order]).ordered == (("battery", d("2026-12-01")),)
    assert digest([order, entry("fitted", 3, part={"kind": "battery"})]).ordered == ()
    assert digest([entry("ordered", 0, part={"kind": "battery"})]).ordered == ()  # no expected day covers nothing


def test_a_report_is_of_the_open_use_first_and_else_of_a_check() -> None:
    assert digest([entry("used", 0), entry("reported", 1)]).uses[0].reported
    assert digest([check(0), entry("reported", 1)]).reported_on == d("2026-11-02")
    found = digest([entry("used", 0), entry("reported", 1, about="check")])
    assert not found.uses[0].reported
    assert found.reported_on == d("2026-11-02")


def test_a_bad_cabinet_is_open_until_seen_good_and_does_not_make_the_unit_doubtful() -> None:
    log = [check(0, cabinet="fault"), check(3, cabinet="fault")]
    assert digest(log).bad_readings == (("cabinet", "fault", d("2026-11-01")),)
    assert digest([entry("fault", 0, known=False, cabinet="fault")]).fault_on is None
    assert digest([*log, check(4, cabinet="ok")]).bad_readings == ()


def test_pads_taken_off_are_missing_until_fitted_and_no_others_are() -> None:
    off = entry("removed", 0, part={"kind": "pads-adult"})
    assert digest([off]).of_pads("pads-adult").missing_on == d("2026-11-01")
    assert digest([off]).of_pads("pads-child").missing_on is None
    assert digest([off, entry("fitted", 1, part={"kind": "pads-adult"})]).of_pads("pads-adult").missing_on is None
