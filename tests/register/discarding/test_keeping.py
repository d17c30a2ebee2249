"""Which rule holds a record back, to its last day."""

from __future__ import annotations

from datetime import date

import pytest

from nightround.reckoning.rules import Rule, Shape, Span, Subject
from nightround.register.keeping import Kept, checked_again, held_by, records_rules
from tests.reckoning.core.build import d, rule


def keep(span: Span, n: int = 0) -> Rule:
    return rule(f"keep-{span}", Subject.RECORDS, Shape(span, n))


SUMMER = d("2026-08-31")


def check(number: int, scope: str = "look", *, known: bool = True, on: date = SUMMER) -> Kept:
    return Kept(number, on, "check", scope, known)


@pytest.mark.parametrize(
    ("today", "held"), [("2028-08-30", True), ("2028-08-31", True), ("2028-09-01", False), ("2026-09-01", True)]
)
def test_two_years_hold_to_the_same_day_two_years_on(today: str, held: bool) -> None:
    # Taiwan, article 7 of the regulations of 2023-05-10: two years; check of 2026-08-31 → 2028-08-31 (computed)
    rules = [keep(Span.KEPT_MONTHS, 24)]
    assert (held_by(rules, check(1), False, d(today)) is not None) is held


def test_a_leap_day_is_held_to_the_end_of_february() -> None:
    # Clamped, RFC 7529 SKIP=BACKWARD
    rules, entry = [keep(Span.KEPT_MONTHS, 24)], check(1, on=d("2024-02-29"))
    assert held_by(rules, entry, False, d("2026-02-28")) is not None
    assert held_by(rules, entry, False, d("2026-03-01")) is None


def test_for_the_life_of_the_unit_holds_everything_for_ever() -> None:
    # Iowa Administrative Code 641-143.12(613): the usable life of the device
    rules = [keep(Span.KEPT_FOR_LIFE)]
    assert held_by(rules, Kept(1, d("1999-01-01"), "ordered", "", True), True, d("2099-01-01")) is not None


def test_until_the_next_check_holds_checks_that_have_none() -> None:
    # Germany: the protocol of a check is kept until the next check
    rules = [keep(Span.KEPT_UNTIL_NEXT_CHECK)]
    assert held_by(rules, check(1), False, d("2099-01-01")) is not None
    assert held_by(rules, check(1), True, d("2026-09-01")) is None
    assert held_by(rules, Kept(1, d("2026-08-31"), "fault", "", True), False, d("2026-09-01")) is None


def test_only_a_check_as_wide_by_a_known_person_is_a_next_one() -> None:
    book = [
        check(1, "inspection"),
        check(2, "look"),
        check(3, "test"),
        check(4, "look"),
        check(5, "inspection", known=False),
    ]
    assert checked_again(book) == {2}
    assert checked_again([check(1, "inspection"), check(2, "inspection")]) == {1}
    assert checked_again([check(1), Kept(2, d("2026-09-01"), "fitted", "", True)]) == set()


def test_the_longest_of_several_rules_holds() -> None:
    rules = [keep(Span.KEPT_MONTHS, 12), keep(Span.KEPT_MONTHS, 36)]
    found = held_by(rules, check(1), False, d("2028-09-01"))
    assert found is not None
    assert found.shape.n == 36


def test_a_rule_about_training_records_holds_no_log_entry() -> None:
    # 7.27.8.9 NMAC is about training records, which nothing discards
    rules = [
        keep(Span.KEPT_AFTER_ROLE, 36),
        keep(Span.KEPT_MONTHS, 24),
        rule("look", Subject.LOOK, Shape(Span.DAYS, 7)),
    ]
    assert [found.shape.span for found in records_rules(rules)] == [Span.KEPT_MONTHS]
