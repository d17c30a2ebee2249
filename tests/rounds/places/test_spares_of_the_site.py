"""A spare kept at a site is at hand for one of its units: of that part nothing is ordered, of the next one it is."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from nightround.demo.fleet import write_fleet
from tests.conftest import Clock
from tests.register.office import Office, write

# Two units at one site whose pads are to be ordered on the clock's day, and a third elsewhere.
FLEET: dict[str, str] = {
    "sites": """
        site | name | time_zone    | country
        SHOP | Shop | Europe/Paris | FR
        MILL | Mill | Europe/Paris | FR
    """,
    "units": """
        unit | site | model      | in_service_on
        A-1  | SHOP | Orrel Twin | 2025-01-01
        A-2  | SHOP | Orrel Twin | 2025-01-01
        B-1  | MILL | Orrel Twin | 2025-01-01
    """,
    "people": """
        person | name | email           | roles        | sites
        C1     | Lea  | lea@example.org | site-contact | SHOP
    """,
}
PADS = """
    unit | site | kind       | state  | label_date | fitted_on
    A-1  |      | pads-adult | fitted | 2026-12-20 | 2025-01-01
    A-2  |      | pads-adult | fitted | 2026-12-10 | 2025-01-01
    B-1  |      | pads-adult | fitted | 2026-12-10 | 2025-01-01
    A-1  |      | battery    | fitted | 2031-01-31 | 2025-01-01
    A-2  |      | battery    | fitted | 2031-01-31 | 2025-01-01
    B-1  |      | battery    | fitted | 2031-01-31 | 2025-01-01
"""
HEADING = "unit | site | kind | state | label_date\n"
SPARE = " | SHOP | pads-adult | spare | 2028-06-30"


def bring(office: Office, *spares: str) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=PADS))
    if spares:
        arrive(office, *spares)


def arrive(office: Office, *spares: str) -> None:
    office.bring(write(office.folder / "more", parts=HEADING + "\n".join(spares)))


def to_order(office: Office, *options: str) -> list[str]:
    """The units for which fitted pads are to be ordered."""
    found = office.run("duties", "--standing", "order now", *options).document
    return sorted(one["unit"] for one in found if one["subject"] == "pads-adult, fitted")


def log(office: Office, *entry: str, by: str = "C1") -> None:
    answer = office.say("log", *entry, "--by", by)
    assert answer.status == 0, answer.err


def night(office: Office, day: str = "2026-11-25") -> None:
    assert office.run("round", "--on", day).status in (0, 3)


ALL = ["A-1", "A-2", "B-1"]


def test_one_spare_of_the_site_is_promised_to_the_part_that_ends_first(office: Office) -> None:
    bring(office)
    assert to_order(office) == ALL
    arrive(office, SPARE)
    assert to_order(office) == ["A-1", "B-1"]  # at once, for the other units of the site
    night(office)
    assert to_order(office) == ["A-1", "B-1"]


def test_two_spares_are_enough_for_two_units(office: Office) -> None:
    bring(office, SPARE, " | SHOP | pads-adult | spare | 2028-07-31")
    assert to_order(office) == ["B-1"]
    night(office)
    assert to_order(office) == ["B-1"]


def test_a_spare_that_outlasts_one_part_only_is_promised_to_that(office: Office) -> None:
    """The spare that just outlasts the part goes first, so that the better one is left for the part it alone serves."""
    bring(office, " | SHOP | pads-adult | spare | 2028-06-30", " | SHOP | pads-adult | spare | 2026-12-15")
    assert to_order(office) == ["B-1"]


@pytest.mark.parametrize(
    "spare",
    [
        " | SHOP | pads-adult | spare | 2026-11-24",
        " | SHOP | pads-adult | spare | 2026-12-10",
        " | SHOP | pads-adult | spare | ",
        " | SHOP | pads-child | spare | 2028-06-30",
        " | MILL | battery    | spare | 2028-06-30",
        " | SHOP | pads-adult | removed | 2028-06-30",
    ],
    ids=["past", "does not outlast", "undated", "other kind", "elsewhere", "used up"],
)
def test_what_cannot_take_the_place_of_a_part_is_at_hand_for_nobody(office: Office, spare: str) -> None:
    bring(office, spare)
    assert to_order(office) == ALL
    night(office)
    assert to_order(office) == ALL


def test_when_the_spare_expires_both_are_to_be_ordered(office: Office) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=PADS.replace("2026-12-", "2027-02-")))
    arrive(office, " | SHOP | pads-adult | spare | 2027-02-15")
    assert to_order(office, "--on", "2027-01-20") == ["A-1", "B-1"]
    # Past the last good day of both the spare and one part: what is left is to be ordered.
    assert to_order(office, "--on", "2027-02-16") == ["A-1"]


def test_a_spare_of_the_unit_is_used_before_one_of_the_site(office: Office) -> None:
    bring(office, SPARE, "A-2 | | pads-adult | spare | 2028-06-30")
    assert to_order(office) == ["B-1"]
    night(office)
    assert to_order(office) == ["B-1"]


def test_a_part_past_its_date_has_the_first_claim_and_stays_overdue(office: Office) -> None:
    bring(office, SPARE)
    office.bring(write(office.folder / "past", parts=HEADING + "A-1 | | pads-child | fitted | 2026-11-30"))
    assert to_order(office, "--on", "2026-12-12") == ["A-1"]
    found = office.run("duties", "--on", "2026-12-12", "--standing", "overdue").document
    assert ("A-2", "pads-adult, fitted") in {(one["unit"], one["subject"]) for one in found}


def test_a_spare_that_is_used_up_leaves_both_to_be_ordered_at_once(office: Office) -> None:
    bring(office, SPARE + " ")
    assert to_order(office) == ["A-1", "B-1"]
    number = office.rows("SELECT id FROM parts WHERE site_id IS NOT NULL")
    assert len(number) == 1
    arrive(office, " | SHOP | pads-adult | removed | 2028-06-30")
    assert to_order(office) == ALL


def test_a_unit_that_gets_new_pads_frees_the_spare_for_the_other_at_once(office: Office) -> None:
    bring(office, SPARE)
    log(office, "A-2", "fitted", "--part", "kind=pads-adult", "--part", "label_date=2029-01-31")
    assert to_order(office) == ["B-1"]


def test_an_order_frees_the_spare_for_the_other_at_once_and_a_strike_takes_it_back(office: Office) -> None:
    bring(office, SPARE)
    log(office, "A-2", "ordered", "--part", "kind=pads-adult", "--part", "expected=2026-12-01")
    assert to_order(office) == ["B-1"]
    entry = office.rows("SELECT max(id) FROM log")[0][0]
    assert office.say("strike", entry, "--why", "cancelled", "--by", "C1").status == 0
    assert to_order(office) == ["A-1", "B-1"]


def test_a_unit_that_goes_away_leaves_the_spare_and_one_that_comes_may_claim_it(office: Office) -> None:
    bring(office, SPARE)
    log(office, "A-2", "moved", "--to", "MILL")
    assert to_order(office) == ["A-2", "B-1"]
    log(office, "B-1", "moved", "--to", "SHOP")
    assert to_order(office) == ["A-1", "A-2"]


def test_a_withdrawn_unit_claims_nothing(office: Office) -> None:
    bring(office, SPARE)
    log(office, "A-2", "withdrawn")
    assert "A-1" not in to_order(office)


def test_batches_however_small_and_one_unit_alone_find_the_same(office: Office, clock: Clock) -> None:
    """Demo fleet, with some spares at each site: stored at once, by the night in batches of two, and asked for."""
    settings = office.folder / "nightround.toml"
    settings.write_text(settings.read_text("utf-8") + "\n[rounds]\nbatch = 2\n", "utf-8")
    write_fleet(office.folder / "demo", 60, 1, date(2026, 11, 25), lambda done, total: None)
    office.bring(office.folder / "demo")
    codes = [site for (site,) in office.rows("SELECT site FROM sites ORDER BY site")]
    without = _fitted(office, "--on", "2027-03-28")
    kinds = ("pads-adult", "battery", "pads-child")
    arrive(office, *(f" | {site} | {kind} | spare | 2031-06-30" for site in codes for kind in kinds))
    for day in ("2026-11-25", "2027-03-28"):
        asked = _fitted(office, "--on", day)
        night(office, day)
        assert _fitted(office) == asked
        for unit, *_ in asked[::7]:
            assert _fitted(office, "--on", day, "--unit", unit) == [one for one in asked if one[0] == unit]
    assert _standings(without).count("order now") > _standings(asked).count("order now") > 0
    clock.now += timedelta(days=(date(2027, 3, 28) - clock.now.date()).days)
    for unit in sorted({one[0] for one in asked})[:3]:
        person = office.rows("SELECT person FROM people ORDER BY person LIMIT 1")[0][0]
        log(office, unit, "ordered", "--part", "kind=battery", "--part", "expected=2027-03-27", by=person)
    assert _fitted(office) == asked


def _fitted(office: Office, *options: str) -> list[tuple[str, str, str]]:
    found = office.run("duties", *options).document
    return sorted(
        (one["unit"], one["subject"], one["standing"]) for one in found if one["subject"].endswith(", fitted")
    )


def _standings(found: list[tuple[str, str, str]]) -> list[str]:
    return [one[2] for one in found]
