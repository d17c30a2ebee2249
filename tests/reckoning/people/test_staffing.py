"""Enough responders, and somebody who can be reached: counted day by day as a second opinion."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.facts import Place
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import Staffing, Subject, binding
from nightround.reckoning.staffing import Contact, Responder, contact_duty, needed, responders_duty
from tests.reckoning.published.shipped import book

DAY = date(2026, 11, 25)
NEAR = st.none() | st.dates(DAY - timedelta(days=60), DAY + timedelta(days=60))


@given(st.lists(NEAR, max_size=6), st.integers(1, 4))
@settings(max_examples=200)
def test_the_shortage_begins_on_the_first_day_on_which_too_few_count(untils: list[date | None], number: int) -> None:
    people = [Responder(f"R-{place}", until) for place, until in enumerate(untils)]
    wanted = needed(number, 0, (), 1)
    for day in (DAY - timedelta(days=61), DAY, DAY + timedelta(days=61)):
        duty = responders_duty(day, wanted, people)
        assert duty is not None
        have = sum(1 for until in untils if until is not None and until >= day)
        assert (duty.standing is Standing.OVERDUE) == (have < number)
        if duty.last_good_day is not None:
            on_the_day = sum(1 for until in untils if until is not None and until >= duty.last_good_day)
            after = sum(1 for until in untils if until is not None and until > duty.last_good_day)
            assert on_the_day >= number > after


def test_the_day_on_which_it_falls_short_is_named_ahead() -> None:
    people = [Responder("A", date(2027, 6, 1)), Responder("B", date(2026, 12, 10)), Responder("C", None)]
    duty = responders_duty(DAY, needed(2, 0, (), 1), people)
    assert duty is not None
    assert (duty.standing, duty.last_good_day) == (Standing.OPEN, date(2026, 12, 10))
    assert duty.because[0].evidence == (
        "set for this site: 2; A to 2027-06-01, B to 2026-12-10, C no date on record; too few from 2026-12-11 on"
    )


def test_the_number_is_that_of_the_site_else_the_default_and_a_rule_may_ask_for_more() -> None:
    assert needed(None, 0, (), 3).number == 0
    assert needed(None, 2, (), 3).number == 2
    assert needed(None, 2, (), 0).number == 0
    assert needed(0, 2, (), 3).number == 0
    assert needed(5, 2, (), 0).number == 5
    rule = book().rule("us-ca-responders-until-2015")
    assert needed(1, 0, [rule], 3).number == 3


@pytest.mark.parametrize(("units", "number"), [(0, 0), (1, 1), (5, 5), (9, 5), (10, 6), (15, 7)])
def test_california_asked_for_one_a_unit_up_to_five_and_one_for_every_five_more(units: int, number: int) -> None:
    # HSC 1797.196 before 2016 (docsbay.net, studylib.net)
    assert Staffing(per_unit_up_to=5, then_per=5).needed(units) == number


def test_the_californian_number_is_history() -> None:
    where = Place("", "US", "CA", "")
    for day, binds in ((date(2015, 12, 31), True), (date(2016, 1, 1), False), (DAY, False)):
        asked = [rule for rule in binding(book().rules, where, day) if rule.subject is Subject.RESPONDERS]
        assert bool(asked) is binds


def test_a_site_is_without_contact_from_the_day_after_the_last_day_of_the_last_one() -> None:
    gone = Contact("C-1", True, DAY)
    for day, standing in (
        (DAY - timedelta(days=31), Standing.AHEAD),
        (DAY, Standing.OPEN),
        (DAY + timedelta(days=1), Standing.OVERDUE),
    ):
        duty = contact_duty(day, [gone])
        assert duty is not None
        assert (duty.standing, duty.last_good_day) == (standing, DAY)


def test_somebody_else_of_the_site_is_enough_if_letters_reach_them() -> None:
    gone = Contact("C-1", True, DAY)
    assert contact_duty(DAY, [gone, Contact("C-2", True, None)]) is None
    assert contact_duty(DAY, [gone, Contact("C-2", False, None)]) is not None
    # A coordinator of the whole fleet is nobody of the site.
    assert contact_duty(DAY, [gone], [Contact("CO", True, None)]) is not None


def test_when_the_fleets_coordinator_leaves_sites_with_a_contact_of_their_own_keep_theirs() -> None:
    coordinator = Contact("CO", True, DAY)
    assert contact_duty(DAY, [Contact("C-1", True, None)], [coordinator]) is None
    assert contact_duty(DAY, [], [coordinator]) is not None
    assert contact_duty(DAY, [], [coordinator, Contact("CO-2", True, None)]) is None


def test_a_site_from_which_nobody_leaves_owes_nothing_here() -> None:
    assert contact_duty(DAY, []) is None
    assert contact_duty(DAY, [Contact("C-1", False, None)]) is None
