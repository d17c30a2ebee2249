"""Working days against published holidays: US federal days as observed, England and Wales, Easter."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from dateutil.easter import easter

from nightround.reckoning.dates import working_days

from .shipped import d


@pytest.mark.parametrize(
    "day",
    [
        # 5 USC 6103: Saturday → the Friday before, Sunday → the Monday after
        "2026-07-03",  # also told in the news of that year
        "2027-06-18",
        "2027-07-05",
        "2027-12-24",
        "2027-12-31",  # for New Year's Day 2028: it falls in the year before
    ],
)
def test_an_observed_federal_holiday_is_no_working_day(day: str) -> None:
    assert not working_days("US", "").is_working(d(day))


@pytest.mark.parametrize("day", ["2026-07-02", "2026-07-06", "2027-12-30", "2028-01-03", "2026-11-25"])
def test_the_days_beside_them_are_working_days(day: str) -> None:
    assert working_days("US", "").is_working(d(day))


@pytest.mark.parametrize(
    ("year", "published"),
    [
        # England and Wales: 2026 read in a published list, 2027 computed
        (2026, "01-01 04-03 04-06 05-04 05-25 08-31 12-25 12-28"),
        (2027, "01-01 03-26 03-29 05-03 05-31 08-30 12-27 12-28"),
    ],
)
@pytest.mark.parametrize("nation", ["ENG", "WLS"])
def test_bank_holidays_of_england_and_wales(year: int, published: str, nation: str) -> None:
    working = working_days("GB", nation)
    days = [date(year, 1, 1) + timedelta(days=n) for n in range(365)]
    found = [f"{day:%m-%d}" for day in days if day.weekday() < 5 and not working.is_working(day)]
    assert found == published.split()


@pytest.mark.parametrize("sunday", ["2026-04-05", "2027-03-28", "2028-04-16"])
def test_easter_falls_on_the_computed_day(sunday: str) -> None:
    # Computed; dateutil.easter as a second opinion; 2027-03-28 is also the day on which European clocks change
    easter_sunday = d(sunday)
    assert easter(easter_sunday.year) == easter_sunday
    for country, subdivision in (("GB", "ENG"), ("DE", "")):
        working = working_days(country, subdivision)
        assert not working.is_working(easter_sunday - timedelta(days=2))
        assert not working.is_working(easter_sunday + timedelta(days=1))
        assert working.is_working(easter_sunday - timedelta(days=3))
        assert working.is_working(easter_sunday + timedelta(days=2))


def test_ordering_goes_back_over_a_holiday_and_the_weekend_before_it() -> None:
    # Easter Monday 2027-03-29 and Good Friday 03-26 in England: the last working day before is Thursday
    working = working_days("GB", "ENG")
    assert working.back_to_working(d("2027-03-29")) == d("2027-03-25")
    assert working.back_to_working(d("2027-03-25")) == d("2027-03-25")


def test_the_same_event_has_other_working_days_in_another_place() -> None:
    # 2026-05-25 is a bank holiday in England and Memorial Day in the US; in Germany Whit Monday
    friday = d("2026-05-22")
    for country in ("GB", "US", "DE"):
        assert working_days(country, "").add(friday, 1) == d("2026-05-26")
    assert working_days("JP", "").add(friday, 1) == d("2026-05-25")
    # Corpus Christi, 2026-06-04: Bavaria rests, Berlin works
    assert working_days("DE", "BY").add(d("2026-06-03"), 1) == d("2026-06-05")
    assert working_days("DE", "BE").add(d("2026-06-03"), 1) == d("2026-06-04")


@pytest.mark.parametrize(("country", "subdivision"), [("", ""), ("ZZ", ""), ("ZZ", "QQ")])
def test_a_place_without_a_known_calendar_works_monday_to_friday_and_says_so(country: str, subdivision: str) -> None:
    working = working_days(country, subdivision)
    assert not working.known
    assert working.add(d("2026-12-24"), 1) == d("2026-12-25")


def test_an_unknown_subdivision_takes_the_holidays_of_the_whole_country() -> None:
    working = working_days("US", "QQ")
    assert working.known
    assert not working.is_working(d("2026-11-26"))
