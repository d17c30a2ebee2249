"""What holds for any facts: nothing that reckoning knows can make a date later than it should be."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.dates import last_good_day, opens
from nightround.reckoning.facts import Evidence, Part, UnitFacts
from nightround.reckoning.owed import Reckoned, Standing
from nightround.reckoning.rules import Rule, Shape, Span, Subject

from .build import HOUSE, SHEET, reckon, rule

DAYS = st.dates(date(2000, 1, 1), date(2050, 12, 31))
SHAPES = st.one_of(
    st.builds(Shape, st.just(Span.DAYS), st.integers(0, 2000)),
    st.builds(Shape, st.just(Span.MONTHS), st.integers(0, 120)),
    st.builds(Shape, st.just(Span.MONTHS_TO_MONTH_END), st.integers(0, 120)),
    st.builds(Shape, st.just(Span.EACH), st.just(0), st.sampled_from(["week", "month", "quarter", "year"])),
    st.builds(Shape, st.just(Span.WORKING_DAYS), st.integers(0, 40)),
    st.just(Shape(Span.AT_ONCE)),
)
MAYBE = st.none() | DAYS
EVIDENCE = st.builds(
    Evidence,
    looked_on=MAYBE,
    last_used_on=MAYBE,
    battery_low_on=MAYBE,
    battery_empty_on=MAYBE,
    pads_low_on=MAYBE,
    pads_bad_on=MAYBE,
    pads_missing_on=MAYBE,
    fault_on=MAYBE,
    tested_on=st.none(),
    inspected_on=st.none(),
    reported_on=st.none(),
    withdrawn_on=st.none(),
    used_at=st.none(),
    uses=st.just(()),
    out_of_service_on=st.none(),
    fault=st.just(""),
    ordered=st.lists(st.tuples(st.sampled_from(["battery", "pads-adult"]), DAYS), max_size=1).map(tuple),
    bad_readings=st.just(()),
)
PARTS = st.lists(
    st.builds(
        Part,
        st.integers(1, 9),
        st.sampled_from(["pads-adult", "pads-child", "battery", "kit-gloves"]),
        st.sampled_from(["fitted", "spare"]),
        MAYBE,
        MAYBE,
    ),
    max_size=5,
    unique_by=lambda part: part.id,
)
UNITS = st.builds(UnitFacts, st.just("U-1"), st.sampled_from(["", "Model A"]), MAYBE, PARTS.map(tuple), EVIDENCE)
LOOK_RULES = st.lists(SHAPES, max_size=4).map(
    lambda shapes: [rule(f"r{n}", Subject.LOOK, shape) for n, shape in enumerate(shapes)]
)


def dates(reckoned: Reckoned) -> dict[str, date]:
    return {duty.key: duty.last_good_day for duty in reckoned.duties if duty.last_good_day is not None}


@given(SHAPES, DAYS)
def test_the_last_good_day_is_never_before_the_evidence(shape: Shape, evidence: date) -> None:
    good = last_good_day(shape, evidence)
    assert good >= evidence
    assert opens(shape, evidence, good) <= good


@given(SHAPES, DAYS, st.integers(0, 800))
def test_earlier_evidence_never_gives_a_later_date(shape: Shape, evidence: date, days: int) -> None:
    assert last_good_day(shape, evidence - timedelta(days=days)) <= last_good_day(shape, evidence)


@settings(max_examples=150)
@given(UNITS, LOOK_RULES, SHAPES, DAYS)
def test_adding_a_rule_never_moves_a_date_later(facts: UnitFacts, rules: list[Rule], more: Shape, day: date) -> None:
    before = dates(reckon(facts, str(day), [*HOUSE[1:], *rules], [SHEET]))
    after = dates(reckon(facts, str(day), [*HOUSE[1:], *rules, rule("more", Subject.LOOK, more)], [SHEET]))
    for key, good in before.items():
        assert after[key] <= good


@settings(max_examples=150)
@given(
    UNITS, DAYS, st.sampled_from(["battery_low_on", "battery_empty_on", "pads_low_on", "pads_bad_on", "fault_on"]), DAYS
)
def test_a_reading_never_moves_a_date_later_nor_a_standing_to_a_better_one(
    facts: UnitFacts, day: date, reading: str, on: date
) -> None:
    without = facts._replace(evidence=facts.evidence._replace(**{reading: None}))
    with_it = facts._replace(evidence=facts.evidence._replace(**{reading: on}))
    before, after = reckon(without, str(day), sheets=[SHEET]), reckon(with_it, str(day), sheets=[SHEET])
    later = dates(after)
    for key, good in dates(before).items():
        assert later[key] <= good
    assert _trouble(after) >= _trouble(before)


@settings(max_examples=150)
@given(UNITS, DAYS)
def test_what_is_not_recorded_is_never_fine(facts: UnitFacts, day: date) -> None:
    found = reckon(facts, str(day), sheets=[SHEET])
    if any(duty.standing is Standing.NOT_RECORDED and "/spare/" not in duty.key for duty in found.duties):
        assert found.condition not in ("in service", "work due")


@settings(max_examples=150)
@given(UNITS, DAYS)
def test_same_facts_same_answer(facts: UnitFacts, day: date) -> None:
    assert reckon(facts, str(day), sheets=[SHEET]) == reckon(facts, str(day), sheets=[SHEET])


def _trouble(reckoned: Reckoned) -> int:
    return ["in service", "work due", "no evidence", "not to be relied on", "withdrawn"].index(reckoned.condition)
