"""What a use leaves to be done: reports, download, crew note, replacement (reckoning.md §5)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from nightround.reckoning.evidence import digest
from nightround.reckoning.facts import Entry, Evidence, Place, Use
from nightround.reckoning.owed import Duty, Standing
from nightround.reckoning.rules import Shape, Span, Subject

from .build import HOUSE, SHEET, d, duty, reckon, rule, unit

AT = datetime(2026, 10, 24, 11, 0, tzinfo=UTC)  # 13:00 in Madrid, the day before the clocks go back
MADRID = Place("Europe/Madrid", "ES", "MD", "")
ALL_GOOD = {"self-test": "ok", "pads": "ok", "battery": "4/4"}
RULES = (
    rule("a-day", Subject.REPORT_USE, Shape(Span.HOURS, 24)),
    rule("three-days", Subject.REPORT_USE, Shape(Span.HOURS, 72)),
    rule("week", Subject.REPORT_USE, Shape(Span.WORKING_DAYS, 5)),
    rule("now", Subject.REPORT_USE, Shape(Span.AT_ONCE)),
)
FIVE = SHEET._replace(memory_events=5, memory_hours_each=3)


def use(days: int = 0, **more: object) -> Use:
    at = AT + timedelta(days=days)
    return Use(at, at.date(), **more)  # type: ignore[arg-type]


def log(kind: str, hours: float, readings: dict[str, str] | None = None, part: str = "", known: bool = True) -> Entry:
    at = AT + timedelta(hours=hours)
    return Entry(at, at.astimezone(ZoneInfo("Europe/Madrid")).date(), kind, known, readings or {}, {"kind": part}, "")


def owed(*entries: Entry, day: str = "2026-10-25", rules: tuple[object, ...] = (*HOUSE, *RULES)) -> dict[str, Duty]:
    facts = unit(digest([log("check", -100), *entries]))
    return {item.key: item for item in reckon(facts, day, rules, place=MADRID).duties}  # type: ignore[arg-type]


def test_each_rule_has_a_report_of_its_own_with_its_own_deadline() -> None:
    found = owed(log("used", 0))
    reports = {key: (item.subject, item.last_good_day) for key, item in found.items() if item.kind == "report-use"}
    assert reports == {
        "report-use/a-day": ("report the use within 24 hours", d("2026-10-25")),
        "report-use/three-days": ("report the use within 72 hours", d("2026-10-27")),
        "report-use/week": ("report the use within 5 working days", d("2026-10-30")),
        "report-use/now": ("report the use at once", d("2026-10-24")),
    }
    # 24 elapsed hours over the change of clocks end at 12:00, 72 too (published-facts §1.3 for the 72)
    local = [found[f"report-use/{name}"].deadline for name in ("a-day", "three-days")]
    assert [at and at.astimezone(ZoneInfo("Europe/Madrid")).strftime("%d %H:%M") for at in local] == [
        "25 12:00",
        "27 12:00",
    ]
    assert found["report-use/week"].deadline is None


def test_a_report_of_the_use_closes_all_and_one_that_names_its_rule_closes_that_one() -> None:
    some = owed(
        log("used", 0), log("reported", 1, {"rule": "a-day"}), log("reported", 2, {"about": "use", "rule": "now"})
    )
    assert {key for key in some if key.startswith("report-use")} == {"report-use/three-days", "report-use/week"}
    for readings in ({"about": "use"}, {}):
        assert not [key for key in owed(log("used", 0), log("reported", 1, readings)) if key.startswith("report-use")]
    untouched = owed(log("used", 0), log("reported", 1, {"about": "crew"}), log("reported", 1, {"about": "check"}))
    assert len([key for key in untouched if key.startswith("report-use")]) == 4


def test_a_second_use_does_not_put_off_the_report_of_the_first() -> None:
    found = owed(log("used", 0), log("used", 20))["report-use/three-days"]
    assert found.deadline == AT + timedelta(hours=72)
    assert found.because[0].evidence == "used 2026-10-24, the first of 2 uses not reported"
    later = owed(log("used", 0), log("reported", 1, {"rule": "three-days"}), log("used", 20))["report-use/three-days"]
    assert later.deadline == AT + timedelta(hours=92)


def test_a_passer_by_cannot_record_a_report_a_download_or_a_crew_note() -> None:
    by_stranger = [
        log("reported", 1, {"about": "use"}, known=False),
        log("reported", 1, {"about": "crew"}, known=False),
        log("downloaded", 1, known=False),
    ]
    assert owed(log("used", 0, known=False), *by_stranger).keys() == owed(log("used", 0, known=False)).keys()


def test_the_record_and_the_crew_note_are_owed_on_the_day_of_the_use() -> None:
    for day, standing in (("2026-10-24", Standing.OPEN), ("2026-10-25", Standing.OVERDUE)):
        found = owed(log("used", 0), day=day)
        for kind in ("download", "crew-note", "restore"):
            assert (found[kind].last_good_day, found[kind].standing) == (d("2026-10-24"), standing)
            assert found[kind].period == AT.isoformat()
    assert "download" not in owed(log("used", 0), log("downloaded", 1))
    assert "crew-note" not in owed(log("used", 0), log("reported", 1, {"about": "crew"}))
    again = owed(log("used", 0), log("downloaded", 1), log("reported", 1, {"about": "crew"}), log("used", 30))
    assert again["download"].last_good_day == again["crew-note"].last_good_day == d("2026-10-25")


@pytest.mark.parametrize(
    ("uses", "said"),
    [
        (1, "1 use since the last download, the first on 2026-10-24; the memory holds 5 events"),
        (
            5,
            "5 uses since the last download, the first on 2026-10-24; "
            "the memory holds 5 events: the next use overwrites the oldest",
        ),
        (
            6,
            "6 uses since the last download, the first on 2026-10-24; "
            "the memory holds 5 events: the oldest record is overwritten",
        ),
    ],
)
def test_the_reason_says_what_the_memory_still_holds(uses: int, said: str) -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), uses=tuple(use(day) for day in range(uses)))
    found = duty(reckon(unit(evidence, model="Model A"), "2026-11-25", HOUSE, [FIVE]), "download")
    assert found.because[0].evidence == said
    assert found.because[0].last_good_day == found.last_good_day == d("2026-10-24")
    assert (found.because[1].source, found.because[1].last_good_day) == (FIVE.source, None)


def test_uses_longer_than_the_memory_say_so_and_unknown_minutes_say_nothing() -> None:
    # The memory of 5 events of 3 hours holds 900 minutes
    for minutes, longer in ((450, False), (451, True), (None, False)):
        evidence = Evidence(looked_on=d("2026-11-20"), uses=(use(0, minutes=minutes), use(1, minutes=minutes)))
        found = duty(reckon(unit(evidence, model="Model A"), "2026-11-25", HOUSE, [FIVE]), "download")
        assert ("of 3 hours each, and these uses were longer than that" in found.because[0].evidence) is longer


def test_a_sheet_that_is_silent_about_the_memory_gives_no_figure() -> None:
    evidence = Evidence(looked_on=d("2026-11-20"), uses=(use(),))
    found = duty(reckon(unit(evidence, model="Model A"), "2026-11-25", HOUSE, [SHEET]), "download")
    assert [because.evidence for because in found.because] == ["1 use since the last download, the first on 2026-10-24"]


def test_what_was_done_to_a_person_is_in_no_reason_subject_or_condition() -> None:
    sheet = FIVE._replace(rated_shocks=2000, rated_minutes=90_000)
    noted = {"shocks": "173", "cpr-minutes": "619", "mode": "child"}
    facts = unit(digest([log("check", -100), log("used", 0, noted), log("used", 2, noted)]), model="Model A")
    found = reckon(facts, "2026-11-25", (*HOUSE, *RULES), [sheet], MADRID)
    assert {item.kind for item in found.duties} >= {"download", "crew-note", "report-use", "restore"}
    for secret in ("173", "346", "619", "1238", "child"):
        assert secret not in repr(found)


OUT = rule("illinois", Subject.REPLACE, Shape(Span.DAYS, 10))


@pytest.mark.parametrize(
    ("opening", "closing"),
    [
        ([log("withdrawn", 0)], [log("returned", 50)]),
        ([log("fault", 0, known=False)], [log("check", 50, ALL_GOOD)]),
        ([log("used", 0)], [log("fitted", 49, part="pads-adult"), log("check", 50, ALL_GOOD)]),
        ([log("removed", 0, part="battery")], [log("fitted", 50, part="battery")]),
        ([log("withdrawn", 0)], [log("reported", 50, {"about": "replaced"})]),
    ],
)
def test_a_unit_out_of_service_is_replaced_or_repaired_within_the_days_of_the_rule(
    opening: list[Entry], closing: list[Entry]
) -> None:
    # 77 Illinois Administrative Code 527.600(b): within 10 days; out on 2026-10-24, so by 2026-11-03
    rules = (*HOUSE, OUT)
    found = owed(*opening, day="2026-11-03", rules=rules)["replace"]
    assert (found.last_good_day, found.standing) == (d("2026-11-03"), Standing.OPEN)
    assert owed(*opening, day="2026-11-04", rules=rules)["replace"].standing is Standing.OVERDUE
    assert "replace" not in owed(*opening, *closing, rules=rules)
    assert "replace" not in owed(*opening)


def test_what_is_mended_while_something_else_is_open_does_not_restart_the_clock() -> None:
    entries = [log("fault", 0), log("withdrawn", 48), log("check", 96, ALL_GOOD)]
    found = owed(*entries, rules=(*HOUSE, OUT))["replace"]
    assert found.last_good_day == d("2026-11-03")
    again = [*entries, log("returned", 100), log("withdrawn", 240)]
    assert owed(*again, rules=(*HOUSE, OUT))["replace"].last_good_day == d("2026-11-13")


def test_a_replacement_counts_for_the_time_out_of_service_in_which_it_came() -> None:
    replaced = [log("withdrawn", 0), log("reported", 1, {"about": "replaced"})]
    assert "replace" not in owed(*replaced, rules=(*HOUSE, OUT))
    assert "replace" in owed(*replaced, log("returned", 2), log("withdrawn", 3), rules=(*HOUSE, OUT))
    assert "replace" in owed(log("reported", -1, {"about": "replaced"}), log("withdrawn", 0), rules=(*HOUSE, OUT))
