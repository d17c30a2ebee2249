"""The condition of a unit: reckoning.md §4, the first that applies."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from nightround.reckoning.facts import Evidence, Use
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import Shape, Span, Subject

from .build import HOUSE, Place, d, duty, good_parts, part, reckon, rule, unit

LOOKED = Evidence(looked_on=d("2026-11-20"))
USED = datetime(2026, 11, 21, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("evidence", "condition"),
    [
        (LOOKED, "in service"),
        (LOOKED._replace(withdrawn_on=d("2026-11-21"), fault_on=d("2026-11-21")), "withdrawn"),
        (LOOKED._replace(fault_on=d("2026-11-21")), "not to be relied on"),
        (LOOKED._replace(used_at=USED, last_used_on=d("2026-11-21")), "not to be relied on"),
        (LOOKED._replace(pads_missing_on=d("2026-11-21")), "not to be relied on"),
        (Evidence(), "no evidence"),
        (LOOKED._replace(bad_readings=(("cabinet", "fault", d("2026-11-20")),)), "work due"),
    ],
)
def test_the_condition_is_the_first_that_applies(evidence: Evidence, condition: str) -> None:
    found = reckon(unit(evidence), "2026-11-25")
    assert found.condition == condition
    assert bool(found.reasons) == (condition != "in service")


@pytest.mark.parametrize(
    ("on", "condition"),
    [
        ("2026-12-20", "work due"),  # last good day
        ("2026-12-21", "work due"),  # overdue
        ("2027-01-19", "work due"),  # overdue by one interval (30 days), not more
        ("2027-01-20", "no evidence"),  # nobody has looked for two intervals
    ],
)
def test_two_intervals_without_a_look_are_no_evidence(on: str, condition: str) -> None:
    assert reckon(unit(LOOKED), on).condition == condition


def test_an_expired_label_makes_the_unit_not_to_be_relied_on_from_the_first_bad_day() -> None:
    parts = (part("pads-adult", "2026-11-25"), good_parts()[1])
    assert reckon(unit(LOOKED, parts), "2026-11-25").condition == "work due"
    found = reckon(unit(LOOKED, parts), "2026-11-26")
    assert found.condition == "not to be relied on"
    assert found.reasons == ("fitted pads-adult past its label date, good to 2026-11-25",)


def test_reasons_say_since_when_so_that_they_do_not_change_from_day_to_day() -> None:
    parts = (part("pads-adult", "2026-11-01"), good_parts()[1])
    evidence = LOOKED._replace(looked_on=d("2026-11-24"))
    assert reckon(unit(evidence, parts), "2026-11-26").reasons == reckon(unit(evidence, parts), "2026-11-29").reasons


def test_a_used_unit_is_restored_at_once() -> None:
    found = reckon(unit(LOOKED._replace(used_at=USED, last_used_on=d("2026-11-21"))), "2026-11-21")
    assert duty(found, "restore").last_good_day == d("2026-11-21")
    assert duty(found, "restore").standing is Standing.OPEN


def test_a_report_in_hours_keeps_its_minute_across_the_clock_change() -> None:
    # Madrid: 72 hours after 2026-10-24 13:00 is 2026-10-27 12:00 local, the clocks having gone back (§1.3).
    report = rule("madrid", Subject.REPORT_USE, Shape(Span.HOURS, 72))
    used = datetime(2026, 10, 24, 11, 0, tzinfo=UTC)
    facts = unit(LOOKED._replace(used_at=used, last_used_on=d("2026-10-24"), uses=(Use(used, d("2026-10-24")),)))
    place = Place("Europe/Madrid", "ES", "MD", "")
    found = duty(reckon(facts, "2026-10-25", [*HOUSE, report], place=place), "report-use")
    assert found.deadline == datetime(2026, 10, 27, 11, 0, tzinfo=UTC)
    assert found.last_good_day == d("2026-10-27")


def test_a_report_in_working_days_skips_thanksgiving() -> None:
    # Arizona ARS 36-2262(3): five working days after Tuesday 2026-11-24 is 2026-12-02 (§1.3).
    report = rule("arizona", Subject.REPORT_USE, Shape(Span.WORKING_DAYS, 5))
    used = datetime(2026, 11, 24, 18, 0, tzinfo=UTC)
    use = Use(used, d("2026-11-24"))
    facts = unit(LOOKED._replace(last_used_on=d("2026-11-24"), uses=(use,)))
    place = Place("America/Phoenix", "US", "AZ", "")
    assert duty(reckon(facts, "2026-11-25", [*HOUSE, report], place=place), "report-use").last_good_day == d(
        "2026-12-02"
    )
    reported = facts._replace(evidence=facts.evidence._replace(uses=(use._replace(reported=True),)))
    assert "report-use" not in [
        item.kind for item in reckon(reported, "2026-11-25", [*HOUSE, report], place=place).duties
    ]
