"""What holds for every shape a pack can write, and for every set of rules."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.dates import (
    PERIODS,
    add_months,
    hours_after,
    last_good_day,
    local_day,
    month_end,
    period_end,
    period_start,
    working_days,
)
from nightround.reckoning.facts import Place
from nightround.reckoning.rules import Force, Rule, Shape, Span, Subject, announced, binding

DAYS = st.dates(date(1990, 1, 1), date(2090, 12, 31))
INSTANTS = st.integers(0, 3 * 10**9).map(lambda seconds: datetime.fromtimestamp(seconds, UTC))
ZONES = st.sampled_from(["UTC", "America/New_York", "Europe/Madrid", "Australia/Lord_Howe", "Pacific/Kiritimati"])
PLACES = st.sampled_from([("", ""), ("US", "AZ"), ("DE", "BY"), ("GB", "ENG"), ("JP", "")])
DAY_SHAPES = st.one_of(
    st.builds(Shape, st.just(Span.DAYS), st.integers(1, 1000)),
    st.builds(Shape, st.just(Span.MONTHS), st.integers(1, 120)),
    st.builds(Shape, st.just(Span.MONTHS_TO_MONTH_END), st.integers(1, 120)),
    st.builds(Shape, st.just(Span.EACH), st.just(0), st.sampled_from(PERIODS)),
    st.builds(Shape, st.just(Span.WORKING_DAYS), st.integers(1, 40)),
    st.just(Shape(Span.AT_ONCE)),
)


@given(DAY_SHAPES, DAYS, st.integers(0, 1500), PLACES)
def test_a_last_good_day_is_never_before_its_evidence_and_earlier_evidence_never_gives_a_later_one(
    shape: Shape, day: date, earlier: int, where: tuple[str, str]
) -> None:
    working = working_days(*where)
    good = last_good_day(shape, day, working)
    assert good >= day
    assert last_good_day(shape, day - timedelta(days=earlier), working) <= good


@given(INSTANTS, st.integers(0, 10**7), st.integers(1, 500), ZONES)
def test_the_same_holds_for_hours(instant: datetime, seconds: int, n: int, zone: str) -> None:
    good = local_day(hours_after(instant, n), zone)
    assert good >= local_day(instant, zone)
    assert local_day(hours_after(instant - timedelta(seconds=seconds), n), zone) <= good


@given(DAYS, st.integers(-600, 600), st.integers(0, 600))
def test_months_land_in_the_right_month_and_never_later_than_the_same_day_of_it(day: date, n: int, more: int) -> None:
    landed = add_months(day, n)
    assert landed.year * 12 + landed.month == day.year * 12 + day.month + n
    assert landed.day <= day.day
    assert landed.day == day.day or landed == month_end(landed)
    assert add_months(day, n + more) >= landed


@given(DAYS, st.sampled_from(PERIODS))
def test_periods_hold_their_day_and_follow_one_another(day: date, period: str) -> None:
    start, end = period_start(day, period), period_end(day, period)
    assert start <= day <= end
    assert period_start(end, period) == start
    assert period_start(end + timedelta(days=1), period) == end + timedelta(days=1)


def _rule(number: int, replaces: list[int], scope: tuple[str, str, tuple[str, ...]], start: date, end: date) -> Rule:
    country, subdivision, types = scope
    return Rule(
        f"r{number}",
        "title",
        Subject.LOOK,
        Shape(Span.DAYS, 30),
        country,
        subdivision,
        types,
        Force.HOUSE,
        "source",
        date(2026, 11, 25),
        effective_from=start,
        effective_to=end,
        replaces=tuple(f"r{other}" for other in replaces),
    )


SCOPES = st.sampled_from(
    [
        ("", "", ()),
        ("US", "", ()),
        ("US", "MD", ()),
        ("US", "MD", ("school",)),
        ("", "", ("school", "care")),
        ("DE", "", ()),
    ]
)
AT = st.builds(
    lambda scope, kind: Place("UTC", scope[0], scope[1], kind), SCOPES, st.sampled_from(["", "school", "health"])
)
NEAR = st.dates(date(2026, 1, 1), date(2027, 12, 31))


@st.composite
def rule_sets(draw: st.DrawFn) -> list[Rule]:
    """Rules of which one may replace those before it, as the rule book allows."""
    found = []
    for number in range(draw(st.integers(1, 7))):
        others = draw(st.lists(st.sampled_from(range(number)), unique=True, max_size=2)) if number else []
        start, end = sorted((draw(NEAR), draw(NEAR)))
        found.append(_rule(number, others, draw(SCOPES), start, end))
    return found


@settings(max_examples=200)
@given(rule_sets(), AT, NEAR)
def test_adding_a_rule_never_removes_one_that_it_does_not_replace(rules: list[Rule], where: Place, day: date) -> None:
    *fewer, added = rules
    before = set(binding(fewer, where, day))
    after = set(binding(rules, where, day))
    gone = {rule.id for rule in before - after}
    assert gone <= set(added.replaces)
    if gone:
        assert added in after
    assert after - before <= {added}


@settings(max_examples=200)
@given(rule_sets(), AT, NEAR)
def test_only_rules_in_force_and_in_scope_bind_and_a_coming_rule_does_not_yet(
    rules: list[Rule], where: Place, day: date
) -> None:
    bound = binding(rules, where, day)
    assert all(rule.in_force(day) and rule.binds_at(where) for rule in bound)
    coming = announced(rules, where, day)
    assert not set(coming) & set(bound)
    for rule in coming:
        assert rule.effective_from is not None
        assert day < rule.effective_from <= day + timedelta(days=90)


@given(rule_sets(), AT, NEAR, st.randoms(use_true_random=False))
def test_the_order_in_which_rules_were_read_changes_nothing(
    rules: list[Rule], where: Place, day: date, mix: Random
) -> None:
    shuffled = list(rules)
    mix.shuffle(shuffled)
    assert binding(shuffled, where, day) == binding(rules, where, day)
