"""The drain budget of a battery: published figures, and that it only ever brings a date forward."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.dates import add_months
from nightround.reckoning.drain import Spent, charge_left, drain_limit, last_charged_day, wear, weighted_life
from nightround.reckoning.facts import Evidence, Use
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import ModelSheet

from .build import HOUSE, SHEET, d, duty, part, reckon, unit

RATED = SHEET._replace(rated_shocks=200, rated_minutes=600)
FITTED = d("2024-03-01")
BATTERY = part("battery", "2031-12-31", id_=2, fitted_on="2024-03-01")
MILD, HOT = (15.0,) * 12, (35.0,) * 12


def use(day: str, shocks: int | None = None, minutes: int | None = None) -> Use:
    return Use(datetime.combine(d(day), time(12), UTC), d(day), shocks, minutes)


def drained(uses: tuple[Use, ...], celsius: tuple[float, ...] = (), sheet: ModelSheet = RATED) -> date | None:
    limit = drain_limit(BATTERY, uses, sheet, celsius)
    return limit.last_good_day if limit is not None else None


def test_lives_are_weighted_as_in_the_published_worked_example() -> None:
    # STMicroelectronics AN1012 Rev 4 §3.2: 600 h a year at 1.8 years and 8160 h at 28 years; computed 14.02
    assert round(weighted_life([(600, 1.8), (8160, 28)]), 2) == 14.02


def test_a_mean_of_lives_needs_some_time() -> None:
    with pytest.raises(ValueError, match="needs some time"):
        weighted_life([])


def test_the_budget_is_linear_and_not_compound() -> None:
    # Computed: five years at 1.5 % a year leave 0.9250; compound it would be 0.9272
    assert charge_left([(5, 1 / 0.015)]) == pytest.approx(0.9250, abs=1e-9)
    assert charge_left([(10, 5)], 0.2) == 0.0


@pytest.mark.parametrize(("celsius", "times"), [(25, 1), (35, 2), (45, 4), (30, 2**0.5), (5, 1), (-20, 1)])
def test_self_discharge_doubles_with_every_ten_degrees_above_25_and_cold_gains_nothing(
    celsius: float, times: float
) -> None:
    assert wear(celsius) == pytest.approx(times)


@pytest.mark.parametrize(
    ("celsius", "uses", "day"),
    [
        (MILD, (), None),  # no earlier than the standby life, so no estimate is shown
        (HOT, (), "2026-08-31"),  # 1826 days of standby life at twice the drain: 913 days after 2024-03-01
        ((), (use("2024-05-01", 20, 60),), "2028-02-29"),  # a fifth of the charge: 1460.8 days are left of 1826
        ((), (use("2024-05-01", 200, 600),), "2024-05-01"),  # the whole of the charge on the day of the use
        ((), (use("2024-02-29", 200, 600),), None),  # before this battery was fitted
        ((), (use("2024-05-01"),), None),  # not recorded takes nothing, and is no estimate
    ],
)
def test_the_day_on_which_the_charge_is_used_up(
    celsius: tuple[float, ...], uses: tuple[Use, ...], day: str | None
) -> None:
    assert (add_months(FITTED, 60) - FITTED).days == 1826
    # Computed by hand from the budget as it is defined; no published value
    assert drained(uses, celsius) == (d(day) if day else None)


def test_only_the_hot_months_drain_faster() -> None:
    summer = tuple(35.0 if month in (6, 7, 8) else 10.0 for month in range(1, 13))
    # Computed here day by day: a summer day takes two days of the 1826, any other day one
    by_day, left = FITTED, 1826
    while left >= (2 if by_day.month in (6, 7, 8) else 1):
        left -= 2 if by_day.month in (6, 7, 8) else 1
        by_day += timedelta(days=1)
    assert drained((), summer) == by_day


@pytest.mark.parametrize(
    "sheet",
    [SHEET, RATED._replace(standby_months=None), SHEET._replace(rated_shocks=None, rated_minutes=None)],
)
def test_without_figures_in_the_sheet_there_is_no_estimate(sheet: ModelSheet) -> None:
    assert drained((use("2024-05-01", 20, 60),), HOT, sheet) is None


def test_without_the_day_of_fitting_there_is_no_estimate() -> None:
    assert drain_limit(BATTERY._replace(fitted_on=None), (use("2024-05-01", 20, 60),), RATED, HOT) is None


def test_uses_before_the_battery_was_changed_do_not_count() -> None:
    assert drained((use("2024-05-01", 20, 60)._replace(on_battery=False),)) is None


def test_the_inputs_are_shown_and_what_was_done_to_a_person_is_not() -> None:
    limit = drain_limit(BATTERY, (use("2024-05-01", 37, 131), use("2024-06-01", None, 7)), RATED, HOT)
    assert limit is not None
    assert limit.evidence == (
        "estimate: fitted 2024-03-01; standby life 60 months; "
        "30.0 months at the site's monthly temperatures (mean of lives, weighted by time); "
        "2 uses since took 42 % of the charge as recorded; 1 of them not fully recorded and counted only in part"
    )
    assert "37" not in limit.evidence + limit.title
    assert "131" not in limit.evidence + limit.title


def test_the_estimate_decides_where_it_is_the_earliest_and_does_not_make_the_unit_doubtful() -> None:
    parts = (part("pads-adult", "2028-06-30"), BATTERY)
    uses = (use("2024-05-01", 100, 300),)
    facts = unit(Evidence(looked_on=d("2026-11-20"), uses=uses), parts, model="Model A")
    found = reckon(facts, "2026-11-25", HOUSE, [RATED])
    battery = duty(found, "battery")
    assert [because.rule for because in battery.because] == ["drain-budget", "standby-life", "house-battery"]
    assert battery.standing is Standing.OVERDUE
    assert battery.last_good_day == d("2024-05-01")  # half by shocks, half by minutes: empty on the day of the use
    assert found.condition == "work due"


USES = st.lists(
    st.builds(
        lambda days, shocks, minutes: use(str(FITTED + timedelta(days=days)), shocks, minutes),
        st.integers(-50, 3000),
        st.none() | st.integers(0, 60),
        st.none() | st.integers(0, 200),
    ),
    max_size=4,
).map(tuple)
CELSIUS = st.just(()) | st.tuples(*[st.floats(-40, 55)] * 12)


@settings(max_examples=200)
@given(USES, CELSIUS)
def test_the_budget_only_ever_brings_the_date_forward(uses: tuple[Use, ...], celsius: tuple[float, ...]) -> None:
    parts = (part("pads-adult", "2028-06-30"), BATTERY)
    evidence = Evidence(looked_on=d("2026-11-20"), uses=uses)
    facts = unit(evidence, parts, model="Model A")._replace(monthly_celsius=celsius)
    without = duty(reckon(facts, "2026-11-25", HOUSE, [SHEET]), "battery")
    found = duty(reckon(facts, "2026-11-25", HOUSE, [RATED]), "battery")
    assert found.last_good_day is not None
    assert without.last_good_day is not None
    assert found.last_good_day <= without.last_good_day


@settings(max_examples=200)
@given(USES, CELSIUS, USES)
def test_more_uses_or_warmer_months_never_give_a_later_day(
    uses: tuple[Use, ...], celsius: tuple[float, ...], more: tuple[Use, ...]
) -> None:
    latest = date.max
    before = drained(uses, celsius) or latest
    assert (drained(uses + more, celsius) or latest) <= before
    assert (drained(uses, tuple(mean + 10 for mean in celsius)) or latest) <= before


@settings(max_examples=150)
@given(USES, CELSIUS)
def test_the_day_is_the_one_that_counting_every_day_gives(uses: tuple[Use, ...], celsius: tuple[float, ...]) -> None:
    good = add_months(FITTED, 60)
    wears = tuple(wear(mean) for mean in celsius)
    spent = [Spent(use.day, (use.shocks or 0) / 200 + (use.minutes or 0) / 600) for use in uses if use.day >= FITTED]
    day, left = FITTED, 1.0
    while True:
        left -= sum(each.share for each in spent if each.day == day)
        step = (wears[day.month - 1] if wears else 1.0) / (good - FITTED).days
        if left < step - 1e-9 or day == good:
            break
        left -= step
        day += timedelta(days=1)
    assert last_charged_day(FITTED, good, wears, spent) == day


def test_a_battery_fitted_on_a_day_with_no_life_at_all_is_left_alone() -> None:
    assert last_charged_day(FITTED, FITTED, (), [Spent(FITTED, 0.5)]) == FITTED
