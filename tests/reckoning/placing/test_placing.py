"""Registers and responders are told where a unit stands: published check values, and what re-opens a duty."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.evidence import digest
from nightround.reckoning.facts import Change, Cover, Entry, Evidence, Place, Placing, UnitFacts
from nightround.reckoning.lending import ended, lent
from nightround.reckoning.owed import Condition, Duty, Standing
from nightround.reckoning.rules import announced, binding

from ..core.build import rule
from ..published.shipped import at, book, d, place

TODAY = d("2026-11-25")
KINDS = ("register", "re-register", "renew-registration", "notify-responders")


def owed(where: Place, day: str, since: str = "", evidence: Evidence | None = None, **more: Any) -> dict[str, Duty]:
    """The duties about placing under the shipped rules of the place, by kind."""
    rules = binding(book().rules, where, d(day))
    working = working_days(where.country, where.subdivision)
    facts = UnitFacts("U-1", "", d(since) if since else None, (), evidence or Evidence(), **more)
    found = Reckoner(where, rules, {}, working, d(day)).unit(facts).duties
    return {duty.kind: duty for duty in found if duty.kind in KINDS}


def moved(day: str, country: str = "", subdivision: str = "") -> Evidence:
    return Evidence(placing=Placing((Change("moved", d(day), country, subdivision),), (d(day),)))


@pytest.mark.parametrize(
    ("where", "since", "good"),
    [
        # Minnesota 403.51, 30 working days; over Juneteenth and the observed Independence Day of 2026-07-03
        (("US", "MN"), "2026-06-01", "2026-07-15"),
        # New Hampshire RSA 153-A:33, 30 days; computed
        (("US", "NH"), "2026-06-01", "2026-07-01"),
        # South Australia, 14 days; computed
        (("AU", "SA"), "2026-06-01", "2026-06-15"),
        # Madrid, 15 business days, Monday to Friday without holidays; computed
        (("ES", "MD"), "2026-06-01", "2026-06-22"),
    ],
)
def test_a_unit_without_registration_owes_it_from_the_day_it_was_put_in_service(
    where: tuple[str, str], since: str, good: str
) -> None:
    duty = owed(place(*where), "2026-06-02", since)["register"]
    assert (duty.last_good_day, duty.opens, duty.standing) == (d(good), d(since), Standing.OPEN)
    assert duty.because[0].source and duty.because[0].verified_on == TODAY
    late = owed(place(*where), str(d(good) + timedelta(days=1)), since)["register"]
    assert late.standing is Standing.OVERDUE


def test_nobody_is_late_for_a_rule_that_was_not_there_yet() -> None:
    # The South Australian rule begins 2025-01-01; a unit of 2020 has its fourteen days from then on, to 2025-01-15
    duty = owed(place("AU", "SA"), "2026-06-02", "2020-07-10")["register"]
    assert (duty.opens, duty.last_good_day) == (d("2025-01-01"), d("2025-01-15"))
    assert duty.because[0].evidence.endswith("no registration on record; the rule began 2025-01-01")


def test_minnesotas_changes_are_told_within_thirty_working_days() -> None:
    # Minnesota 403.51: from 2026-06-01 to 2026-07-15
    found = owed(
        place("US", "MN"), "2026-06-02", "2020-01-01", moved("2026-06-01", "US", "MN"), registered_with="state"
    )
    assert found["re-register"].last_good_day == d("2026-07-15")
    assert "register" not in found


def test_a_registration_on_record_meets_it_and_a_missing_day_of_service_is_not_recorded() -> None:
    where = place("US", "NH")
    assert "register" not in owed(where, "2026-06-02", "2026-06-01", registered_with="state register")
    assert "register" not in owed(where, "2026-06-02", "2026-06-01", registered_on=d("2026-06-02"))
    reported = Evidence(placing=Placing(registered_on=d("2026-06-02")))
    assert "register" not in owed(where, "2026-06-02", "2026-06-01", reported)
    unknown = owed(where, "2026-06-02")["register"]
    assert (unknown.standing, unknown.last_good_day) == (Standing.NOT_RECORDED, None)


@pytest.mark.parametrize("day", ["2020-07-01", "2026-11-25", "2031-01-01", "2099-12-31"])
def test_ontarios_rule_is_not_proclaimed_and_binds_on_no_day(day: str) -> None:
    # SO 2020 c. 8 (Bill 141): inactive as far as is known, from memory
    where = place("CA", "ON")
    ontario = book().rule("ca-on-register-30-days")
    assert ontario.binds_at(where) and ontario.not_in_force
    assert ontario not in binding(book().rules, where, d(day))
    assert ontario not in announced(book().rules, where, d(day))
    assert "register" not in owed(where, day, "2015-01-01")


def test_a_rule_that_is_not_in_force_is_never_announced_even_with_a_first_day() -> None:
    ontario = book().rule("ca-on-register-30-days")._replace(effective_from=d("2026-12-01"))
    assert announced([ontario], place("CA", "ON"), TODAY) == ()
    assert binding([ontario], place("CA", "ON"), d("2027-01-01")) == ()


@pytest.mark.parametrize("where", [("US", "CA"), ("US", "AZ"), ("US", "IL"), ("FR", ""), ("DE", "BE")])
def test_places_without_a_rule_ask_for_no_registration(where: tuple[str, str]) -> None:
    found = owed(place(*where), "2026-11-25", "2020-01-01", moved("2026-11-20", *where))
    assert set(found) <= {"notify-responders"}


def test_maryland_renews_after_three_years() -> None:
    # Registration effective 3 years (the registry's page about itself); to the day, and clamped in February
    duty = owed(place("US", "MD"), "2026-11-25", "2020-01-01", registered_on=d("2024-02-29"))["renew-registration"]
    assert (duty.last_good_day, duty.standing, duty.opens) == (d("2027-02-28"), Standing.AHEAD, d("2026-11-30"))
    later = Evidence(placing=Placing(registered_on=d("2026-03-01")))
    renewed = owed(place("US", "MD"), "2026-11-25", "2020-01-01", later, registered_on=d("2023-02-01"))
    assert renewed["renew-registration"].last_good_day == d("2029-03-01")
    silent = owed(place("US", "MD"), "2026-11-25", "2020-01-01")["renew-registration"]
    assert silent.standing is Standing.NOT_RECORDED


@pytest.mark.parametrize("event", ["moved", "withdrawn", "returned"])
def test_madrid_is_told_of_each_change_within_fifteen_business_days(event: str) -> None:
    # Installation, withdrawal, move: 15 business days; a month without public holidays; computed
    change = Evidence(placing=Placing((Change(event, d("2026-09-01"), "ES", "MD"),)))
    duty = owed(place("ES", "MD"), "2026-09-02", "2020-01-01", change, registered_with="Madrid")["re-register"]
    assert duty.last_good_day == d("2026-09-22")


def test_a_unit_that_came_from_elsewhere_is_registered_anew_where_only_acquiring_counts() -> None:
    where = place("US", "NH")
    here = owed(where, "2026-11-26", "2020-01-01", moved("2026-11-25", "US", "NH"), registered_with="state")
    assert "register" not in here and "re-register" not in here
    came = owed(where, "2026-11-26", "2020-01-01", moved("2026-11-25", "US", "VT"), registered_with="Vermont")
    assert came["register"].last_good_day == d("2026-12-25")


def test_a_later_registration_in_the_register_answers_a_move_and_one_of_that_day_may_not() -> None:
    where, change = place("ES", "MD"), moved("2026-11-20", "ES", "MD")
    assert "re-register" not in owed(where, "2026-11-25", "2020-01-01", change, registered_on=d("2026-11-21"))
    assert "re-register" in owed(where, "2026-11-25", "2020-01-01", change, registered_on=d("2026-11-20"))


def test_local_responders_are_told_of_a_move_and_of_a_first_placement_from_now_on() -> None:
    # 42 USC 238q gives no number of days; 14 days are common practice, no source
    duty = owed(place("US", "CA"), "2026-12-01", "2020-01-01", moved("2026-11-30"))["notify-responders"]
    assert duty.last_good_day == d("2026-12-14")
    assert any("238q" in because.source for because in duty.because)
    assert all(str(because.force) == "common practice" for because in duty.because)
    assert owed(place("US", "CA"), "2026-12-01", "2026-11-30")["notify-responders"].last_good_day == d("2026-12-14")
    # Nothing says who was told of placements before this was kept.
    assert owed(place("US", "CA"), "2026-12-01", "2026-10-31") == {}
    assert owed(place("US", "CA"), "2026-12-01", "2020-01-01", moved("2026-10-31")) == {}
    told = Evidence(placing=Placing(announced_on=d("2026-12-01")))
    assert owed(place("US", "CA"), "2026-12-01", "2026-11-30", told) == {}


def said(when: str, entry: str, known: bool = True, **readings: str) -> Entry:
    return Entry(at(when), at(when).date(), entry, known, readings, {}, "")


def test_each_report_meets_its_own_duty_and_only_from_a_known_person() -> None:
    move = said("2026-11-20T10:00+00:00", "moved")
    registration = said("2026-11-21T10:00+00:00", "reported", about="registration")
    change = said("2026-11-21T10:00+00:00", "reported", about="registration-change")
    responders = said("2026-11-21T10:00+00:00", "reported", about="responders")
    assert digest([move]).placing == Placing((Change("moved", d("2026-11-20")),), (d("2026-11-20"),))
    assert digest([move, registration]).placing == Placing((), (d("2026-11-20"),), None, d("2026-11-21"))
    # A change that was told registers nothing anew: a renewal is not put off by it.
    assert digest([move, change]).placing == Placing((), (d("2026-11-20"),))
    assert digest([move, responders]).placing == Placing((Change("moved", d("2026-11-20")),), (), d("2026-11-21"))
    assert digest([move, registration._replace(known=False)]).placing == digest([move]).placing
    again = said("2026-11-22T10:00+00:00", "moved")
    assert digest([move, registration, responders, again]).placing == Placing(
        (Change("moved", d("2026-11-22")),), (d("2026-11-22"),), d("2026-11-21"), d("2026-11-21")
    )
    assert digest([move, registration]).reported_on is None  # it is no report of a check


def test_several_moves_owe_the_word_from_the_first() -> None:
    moves = [said(f"2026-11-{day}T10:00+00:00", "moved") for day in (26, 28, 30)]
    found = owed(place("ES", "MD"), "2026-12-01", "2020-01-01", digest(moves), registered_with="Madrid")
    assert found["re-register"].opens == found["notify-responders"].opens == d("2026-11-26")


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 60), st.sampled_from(["moved", "withdrawn", "returned", "told"])), max_size=8),
    st.integers(0, 60),
)
def test_a_further_change_never_puts_the_date_back(events: list[tuple[int, str]], extra: int) -> None:
    start = datetime.fromisoformat("2026-11-25T12:00+00:00")

    def entries(told: list[tuple[int, str]]) -> list[Entry]:
        found = []
        for day, event in told:
            when = start + timedelta(days=day)
            name, readings = ("reported", {"about": "registration-change"}) if event == "told" else (event, {})
            found.append(Entry(when, when.date(), name, True, readings, {}, ""))
        return found

    where = place("ES", "MD")
    before = owed(where, "2027-02-01", "2020-01-01", digest(entries(events)), registered_with="Madrid")
    after = owed(
        where, "2027-02-01", "2020-01-01", digest(entries([*events, (extra, "moved")])), registered_with="Madrid"
    )
    if "re-register" in before:
        old, new = before["re-register"].last_good_day, after["re-register"].last_good_day
        assert old is not None and new is not None and new <= old


def test_a_loan_lasts_until_the_unit_moves_on_or_the_other_is_returned() -> None:
    put = said("2026-11-20T10:00+00:00", "moved", covers="MILL-01")
    loan = lent([put])
    assert loan is not None and (loan.covers, loan.since) == ("MILL-01", d("2026-11-20"))
    assert lent([put, said("2026-11-21T10:00+00:00", "moved")]) is None
    assert lent([put._replace(known=False)]) is None
    assert ended(loan, [said("2026-11-19T10:00+00:00", "returned")]) is None
    assert ended(loan, [said("2026-11-22T10:00+00:00", "returned", known=False)]) is None
    assert ended(loan, [said("2026-11-22T10:00+00:00", "returned")]) == d("2026-11-22")


@pytest.mark.parametrize("holds", [True, False])
def test_a_loan_unit_meets_the_ten_days_of_illinois_only_while_it_can_be_relied_on(holds: bool) -> None:
    # 77 Illinois Administrative Code 527.600(b): replaced or repaired within 10 days
    where = place("US", "IL", "sports")
    rules = binding(book().rules, where, TODAY)
    gone = Evidence(withdrawn_on=d("2026-11-01"), out_of_service_on=d("2026-11-01"))
    cover = Cover("LOAN-01", d("2026-11-05"), "in service" if holds else "not to be relied on", holds)
    facts = UnitFacts("U-1", "", d("2020-01-01"), (), gone, registered_with="x", cover=cover)
    found = Reckoner(where, rules, {}, working_days("US", "IL"), TODAY).unit(facts)
    replaced = [duty for duty in found.duties if duty.kind == "replace"]
    assert found.condition is Condition.WITHDRAWN
    if holds:
        assert replaced == []
        assert found.reasons[1:] == ("covered by LOAN-01 since 2026-11-05",)
    else:
        assert [duty.last_good_day for duty in replaced] == [date(2026, 11, 11)]
        assert "not to be relied on" in found.reasons[1]


def test_a_house_rule_of_ones_own_can_ask_at_once() -> None:
    from nightround.reckoning.rules import Shape, Span, Subject

    own = rule("own", Subject.REGISTER, Shape(Span.AT_ONCE), occasions=("moved",))
    facts = UnitFacts("U-1", "", d("2020-01-01"), (), moved("2026-11-20"), registered_with="x")
    found = Reckoner(place("", ""), [own], {}, working_days("", ""), TODAY).unit(facts).duties
    assert [(duty.kind, duty.last_good_day, duty.subject) for duty in found if duty.kind in KINDS] == [
        ("re-register", d("2026-11-20"), "report the change to the register at once")
    ]
