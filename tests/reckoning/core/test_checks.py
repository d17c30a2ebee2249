"""Looks, tests and inspections: from the evidence to the last good day, and the standing on either side of it."""

from __future__ import annotations

import pytest

from nightround.reckoning.facts import Evidence
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import Force, ModelSheet, Shape, Span, Subject

from .build import SEEN, d, duty, reckon, rule, unit

NINETY = rule("ninety", Subject.LOOK, Shape(Span.DAYS, 90), force=Force.LAW)
YEARLY = rule("yearly", Subject.INSPECTION, Shape(Span.EACH, period="year"))
PER_MODEL = rule("per-model", Subject.LOOK, Shape(Span.PER_MODEL), force=Force.LAW)


def looked(day: str) -> Evidence:
    return Evidence(looked_on=d(day))


@pytest.mark.parametrize(
    ("on", "standing"),
    [
        # California HSC §1797.196(b)(1)(E): 2026-11-25 + 90 days = 2027-02-23 good, 2027-02-24 overdue.
        ("2026-11-25", Standing.AHEAD),
        ("2027-01-23", Standing.AHEAD),
        ("2027-01-24", Standing.OPEN),  # the window: a third of 90 days, at most 30
        ("2027-02-23", Standing.OPEN),
        ("2027-02-24", Standing.OVERDUE),
    ],
)
def test_a_ninety_day_look_is_good_to_the_ninetieth_day(on: str, standing: Standing) -> None:
    found = duty(reckon(unit(looked("2026-11-25")), on, [NINETY]), "look")
    assert found.last_good_day == d("2027-02-23")
    assert found.standing is standing


def test_a_calendar_year_is_good_to_the_end_of_the_next() -> None:
    # Arkansas 005.28.52-6.0: "at least once per calendar year"; done 2026-01-02, compliant to 2027-12-31.
    found = duty(
        reckon(unit(Evidence(looked_on=d("2026-01-02"), inspected_on=d("2026-01-02"))), "2026-12-31", [YEARLY]),
        "inspection",
    )
    assert found.last_good_day == d("2027-12-31")
    assert found.opens == d("2027-01-01")
    assert found.standing is Standing.AHEAD


def test_done_twice_in_one_calendar_period_changes_nothing() -> None:
    early = duty(
        reckon(unit(Evidence(looked_on=d("2026-01-02"), inspected_on=d("2026-01-02"))), "2026-12-31", [YEARLY]),
        "inspection",
    )
    late = duty(
        reckon(unit(Evidence(looked_on=d("2026-12-30"), inspected_on=d("2026-12-30"))), "2026-12-31", [YEARLY]),
        "inspection",
    )
    assert early.last_good_day == late.last_good_day


def test_a_unit_never_checked_is_reckoned_from_the_day_it_was_put_in_service() -> None:
    found = duty(reckon(unit(Evidence(), in_service_on="2026-11-01"), "2026-11-25", [NINETY]), "look")
    assert found.last_good_day == d("2027-01-30")
    assert "never done" in found.because[0].evidence


def test_without_any_day_to_reckon_from_the_duty_is_not_recorded() -> None:
    found = duty(reckon(unit(Evidence(), in_service_on=None), "2026-11-25", [NINETY]), "look")
    assert found.standing is Standing.NOT_RECORDED
    assert found.last_good_day is None


def test_the_earliest_rule_decides_and_all_are_listed_the_winner_first() -> None:
    monthly = rule("monthly", Subject.LOOK, Shape(Span.MONTHS, 1))
    found = duty(reckon(unit(looked("2026-11-25")), "2026-11-25", [NINETY, monthly, PER_MODEL]), "look")
    assert [because.rule for because in found.because] == ["monthly", "ninety", "per-model"]
    assert found.last_good_day == found.because[0].last_good_day == d("2026-12-25")
    assert found.because[2].last_good_day is None
    assert found.because[2].evidence == "manufacturer's interval not entered"


@pytest.mark.parametrize("model", ["", "Model B"])
def test_per_model_without_an_interval_is_not_recorded_never_a_default(model: str) -> None:
    silent = ModelSheet("Model B", "its manual", SEEN)
    found = duty(reckon(unit(looked("2026-11-25"), model=model), "2026-11-25", [PER_MODEL], [silent]), "look")
    assert found.standing is Standing.NOT_RECORDED
    assert found.because[0].evidence == "manufacturer's interval not entered"


def test_per_model_takes_what_the_sheet_says() -> None:
    sheet = ModelSheet("Model C", "its manual", SEEN, intervals=(("look", Shape(Span.DAYS, 7)),))
    found = duty(reckon(unit(looked("2026-11-25"), model="Model C"), "2026-11-25", [PER_MODEL], [sheet]), "look")
    assert found.last_good_day == d("2026-12-02")


def test_a_use_restarts_the_clock_only_where_the_rule_says_so() -> None:
    # California before 2016: every 30 days if not used in the preceding 30 days (published-facts §1.1, repealed).
    old = rule("old", Subject.LOOK, Shape(Span.DAYS, 30), use_counts=True)
    strict = rule("strict", Subject.LOOK, Shape(Span.DAYS, 30))
    facts = unit(Evidence(looked_on=d("2015-01-01"), last_used_on=d("2015-01-20")), in_service_on="2014-01-01")
    found = duty(reckon(facts, "2015-01-21", [old]), "look")
    assert found.last_good_day == d("2015-02-19")
    assert duty(reckon(facts, "2015-01-21", [strict]), "look").last_good_day == d("2015-01-31")


def test_the_period_is_the_evidence_so_that_a_new_check_makes_a_new_event() -> None:
    first = duty(reckon(unit(looked("2026-10-25")), "2026-11-25", [NINETY]), "look")
    same = duty(reckon(unit(looked("2026-10-25")), "2026-11-26", [NINETY]), "look")
    later = duty(reckon(unit(looked("2026-11-25")), "2026-11-26", [NINETY]), "look")
    assert first.period == same.period != later.period


def test_an_interval_of_the_manual_binds_by_itself_and_only_once() -> None:
    sheet = ModelSheet("Model D", "its manual", SEEN, intervals=(("test", Shape(Span.MONTHS, 12)),))
    facts = unit(Evidence(looked_on=d("2026-11-20"), tested_on=d("2026-02-10")), model="Model D")
    found = duty(reckon(facts, "2026-11-25", [NINETY], [sheet]), "test")
    assert (found.last_good_day, found.because[0].force) == (d("2027-02-10"), Force.MANUFACTURER)
    asked = rule("law-test", Subject.TEST, Shape(Span.PER_MODEL), force=Force.LAW)
    found = duty(reckon(facts, "2026-11-25", [NINETY, asked], [sheet]), "test")
    assert [because.rule for because in found.because] == ["law-test"]


def test_a_duty_without_a_date_is_named_even_where_the_unit_is_in_service() -> None:
    asked = rule("law-test", Subject.TEST, Shape(Span.PER_MODEL), force=Force.LAW)
    found = reckon(unit(), "2026-11-25", [NINETY, asked])
    assert found.condition == "in service"
    assert found.reasons == ("test the unit: not recorded",)
