"""Certificates: their published validities, printed dates, refreshers, and a second opinion on every date."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.certificates import certificate_duties, held_on, in_date_until, knows, rules_of
from nightround.reckoning.facts import Certificate, Place
from nightround.reckoning.owed import Duty, Standing
from nightround.reckoning.rules import Rule
from tests.reckoning.published.shipped import book, d

DAY = date(2026, 11, 25)
ISSUED = st.dates(date(2015, 1, 1), date(2026, 11, 25))


def rules(country: str = "", subdivision: str = "") -> tuple[Rule, ...]:
    return rules_of(book().rules, [Place("", country, subdivision, "")], DAY)


def owed(
    name: str,
    issued: date | None,
    printed: date | None = None,
    country: str = "",
    subdivision: str = "",
    day: date = DAY,
) -> tuple[Duty, ...]:
    held = [Certificate(name, issued, printed)]
    return certificate_duties(day, "R-1", "Ada (R-1)", held, rules(country, subdivision))


@pytest.mark.parametrize(
    ("name", "where", "issued", "good"),
    [
        # cpr.heart.org: two years, through the end of the month of issue
        ("American Heart Association BLS", ("", ""), "2026-02-10", "2028-02-29"),
        ("American Heart Association BLS", ("", ""), "2025-11-30", "2027-11-30"),
        # HSE L74, paragraphs 74 and 75: three years (the day COMPUTED)
        ("First aid at work", ("GB", ""), "2024-02-29", "2027-02-28"),
        # Arkansas Code 20-13-1304(a)(1); 7.27.8.9 NMAC: two years
        ("CPR and AED", ("US", "AR"), "2025-03-31", "2027-03-31"),
        ("CPR and AED", ("US", "NM"), "2024-02-29", "2026-02-28"),
        # Taiwan, Public Places Emergency Equipment Regulations, article 6: two years
        ("AED管理員訓練", ("TW", ""), "2025-08-31", "2027-08-31"),
        # 14 CFR 121.805(b)(5)(iii): 24 months
        ("Cabin crew AED recurrent", ("US", "CA"), "2025-05-15", "2027-05-15"),
    ],
)
def test_a_certificate_holds_as_published(name: str, where: tuple[str, str], issued: str, good: str) -> None:
    duty = owed(name, d(issued), country=where[0], subdivision=where[1])[0]
    assert duty.last_good_day == d(good)
    assert duty.because[0].source
    assert duty.role == "coordinator"


def test_one_australian_certificate_has_two_validities() -> None:
    # Model WHS code of practice: CPR yearly, first aid three years
    first, cpr = owed("Provide first aid", d("2026-02-10"), country="AU", subdivision="SA")
    assert (first.last_good_day, cpr.last_good_day) == (d("2029-02-10"), d("2027-02-10"))
    assert cpr.subject == "certificate of Ada (R-1): Provide first aid, CPR"
    assert first.key != cpr.key
    # And whoever lets the yearly part lapse is in date no more.
    held = [Certificate("Provide first aid", d("2025-02-10"), None)]
    assert in_date_until(DAY, held, rules("AU", "SA")) == d("2026-02-10")


def test_a_refresher_is_recommended_and_never_overdue() -> None:
    # HSE L74: a refresher every year is strongly recommended; the certificate itself holds three years
    certificate, refresher = owed("First aid at work", d("2025-01-10"), country="GB")
    assert (certificate.kind, certificate.standing) == ("certificate", Standing.AHEAD)
    assert (refresher.kind, refresher.standing) == ("refresher", Standing.OPEN)
    assert refresher.last_good_day == d("2026-01-10")
    held = [Certificate("First aid at work", d("2025-01-10"), None)]
    assert in_date_until(DAY, held, rules("GB")) == d("2028-01-10")
    # Done since: a row of the word refresher, which is no certificate of its own.
    held.append(Certificate("First aid at work refresher", d("2026-06-01"), None))
    after = certificate_duties(DAY, "R-1", "Ada", held, rules("GB"))
    assert [(duty.kind, duty.last_good_day) for duty in after] == [
        ("certificate", d("2028-01-10")),
        ("refresher", d("2027-06-01")),
    ]


def test_what_no_rule_knows_and_has_no_date_is_not_recorded() -> None:
    (duty,) = owed("Forklift", d("2026-01-01"))
    assert (duty.standing, duty.last_good_day) == (Standing.NOT_RECORDED, None)
    assert in_date_until(DAY, [Certificate("Forklift", d("2026-01-01"), None)], rules()) is None
    (undated,) = owed("AHA", None)
    assert undated.standing is Standing.NOT_RECORDED


def test_the_last_good_day_is_good_and_the_day_after_is_not() -> None:
    for day, standing in (
        ("2028-01-29", Standing.AHEAD),
        ("2028-01-30", Standing.OPEN),
        ("2028-02-29", Standing.OPEN),
        ("2028-03-01", Standing.OVERDUE),
    ):
        assert owed("AHA", d("2026-02-10"), day=d(day))[0].standing is standing, day


def test_names_are_met_word_for_word() -> None:
    rule = book().rule("aha-card")
    assert knows(rule, "AHA (BLS)")
    assert knows(rule, "american heart  association: HeartStart".replace("HeartStart", "BLS"))
    assert not knows(rule, "Ahaus first aid")


@given(ISSUED, st.none() | st.dates(date(2015, 1, 1), date(2035, 1, 1)))
@settings(max_examples=200)
def test_two_years_are_what_dateutil_says_and_a_printed_date_is_never_moved_back(
    issued: date, printed: date | None
) -> None:
    (duty,) = owed("CPR", issued, printed, "US", "NM")
    by_rule = issued + relativedelta(years=2)
    assert duty.last_good_day == (by_rule if printed is None else min(by_rule, printed))
    card = owed("AHA card", issued, printed)[0].last_good_day
    by_card = issued + relativedelta(months=24, day=31)
    assert card == (by_card if printed is None else min(by_card, printed))


@given(st.lists(st.builds(Certificate, st.just("CPR"), ISSUED, st.none()), min_size=1, max_size=5), ISSUED)
@settings(max_examples=150)
def test_the_newest_issued_by_then_counts_and_the_order_does_not(held: list[Certificate], day: date) -> None:
    found = held_on(day, held)
    assert found == held_on(day, list(reversed(held)))
    by_then = [one.issued_on for one in held if one.issued_on is not None and one.issued_on <= day]
    assert [one.issued_on for one in found] == ([max(by_then)] if by_then else [])


@given(ISSUED, ISSUED, st.integers(0, 1500))
@settings(max_examples=150)
def test_an_earlier_issue_never_gives_a_later_day(one: date, other: date, after: int) -> None:
    first, second = sorted((one, other))
    day = second + timedelta(days=after)
    for name, where in (("AHA", ""), ("First aid", "AU"), ("First aid", "GB")):
        earlier, later = (owed(name, issued, None, where, day=day) for issued in (first, second))
        for before, since in zip(earlier, later, strict=True):
            assert before.last_good_day is not None and since.last_good_day is not None
            assert before.last_good_day <= since.last_good_day


FIRST_AID, CPR = Certificate("First aid", d("2025-02-01"), None), Certificate("CPR", d("2026-02-01"), None)


def parts_of(*held: Certificate) -> dict[str, date | None]:
    found = certificate_duties(DAY, "R-1", "Ada (R-1)", held, rules("AU"))
    return {duty.subject.removeprefix("certificate of Ada (R-1): "): duty.last_good_day for duty in found}


def test_a_part_that_was_trained_anew_by_itself_counts_from_there() -> None:
    # Australia, model code: resuscitation yearly, also within a first-aid certificate of three years
    assert parts_of(FIRST_AID)["First aid, CPR"] == d("2026-02-01")
    told = {"First aid": d("2028-02-01"), "First aid, CPR": d("2027-02-01"), "CPR, CPR": d("2027-02-01")}
    assert parts_of(FIRST_AID, CPR) == told
    assert in_date_until(DAY, [FIRST_AID, CPR], rules("AU")) == d("2027-02-01")


def test_an_older_one_or_one_to_come_puts_nothing_off() -> None:
    older, to_come = CPR._replace(issued_on=d("2025-01-01")), CPR._replace(issued_on=d("2026-11-26"))
    assert parts_of(FIRST_AID, older)["First aid, CPR"] == d("2026-02-01")
    assert parts_of(FIRST_AID, to_come)["First aid, CPR"] == d("2026-02-01")


def test_one_that_prints_an_earlier_day_is_good_for_no_longer_than_that() -> None:
    printed = CPR._replace(printed=d("2026-08-31"))
    assert parts_of(FIRST_AID, printed)["First aid, CPR"] == d("2026-08-31")
    # The whole is not renewed by a part of it, nor the maker's own date moved back.
    dated = FIRST_AID._replace(printed=d("2026-12-31"))
    assert parts_of(dated, CPR)["First aid"] == d("2026-12-31")


@pytest.mark.parametrize("issued", ["2026-11-26", "2062-01-01"])
def test_one_issued_in_the_future_never_counts(issued: str) -> None:
    to_come = Certificate("First aid", d(issued), d("2065-01-01"))
    assert parts_of(FIRST_AID, to_come) == parts_of(FIRST_AID)
    assert parts_of(to_come) == {}
    assert in_date_until(DAY, [to_come], rules("AU")) is None
