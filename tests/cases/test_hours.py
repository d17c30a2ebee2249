"""Working hours and quiet hours, over weekends, holidays, changes of the clock, and against a walk by the minute."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.cases.hours import Hours, Times
from nightround.waits import read

TIMES = Times(time(8), time(18), time(21), time(7), time(7))


def here(zone: str = "Europe/Berlin", country: str = "DE", subdivision: str = "BE") -> Hours:
    return Hours(TIMES, zone, country, subdivision)


def local(zone: str, *parts: int) -> datetime:
    return datetime(*parts, tzinfo=ZoneInfo(zone)).astimezone(UTC)  # type: ignore[misc, arg-type]


@pytest.mark.parametrize(
    ("start", "wait", "end"),
    [
        ((2026, 11, 25, 9, 0), "4 working hours", (2026, 11, 25, 13, 0)),
        ((2026, 11, 25, 16, 0), "4 working hours", (2026, 11, 26, 10, 0)),
        ((2026, 11, 25, 2, 10), "4 working hours", (2026, 11, 25, 12, 0)),
        ((2026, 11, 27, 17, 0), "2 working hours", (2026, 11, 30, 9, 0)),  # over a weekend
        ((2026, 12, 24, 17, 0), "2 working hours", (2026, 12, 28, 9, 0)),  # Christmas Friday and Saturday, Sunday
        ((2026, 11, 25, 9, 0), "3 working days", (2026, 11, 30, 9, 0)),  # thirty working hours
        ((2026, 11, 25, 8, 0), "1 working day", (2026, 11, 25, 18, 0)),
        ((2027, 3, 27, 23, 0), "1 hour", (2027, 3, 28, 0, 0)),
        ((2027, 3, 28, 1, 30), "1 hour", (2027, 3, 28, 3, 30)),  # the hour that is skipped, by the clock
        ((2026, 12, 31, 17, 30), "1 working hour", (2027, 1, 4, 8, 30)),  # year end, New Year is a Friday
    ],
)
def test_a_wait_is_over_then(start: tuple[int, ...], wait: str, end: tuple[int, ...]) -> None:
    zone = "Europe/Berlin"
    got = here().after(local(zone, *start), read(wait))
    assert got == local(zone, *end)


def test_thanksgiving_is_no_working_day_in_arizona() -> None:
    phoenix = Hours(TIMES, "America/Phoenix", "US", "AZ")
    assert phoenix.after(local("America/Phoenix", 2026, 11, 25, 17), read("2 working hours")) == local(
        "America/Phoenix", 2026, 11, 27, 9
    )


def test_an_observed_holiday_in_the_year_before_counts() -> None:
    """New Year 2028 is a Saturday: observed on Friday 2027-12-31 (5 USC 6103)."""
    there = Hours(TIMES, "America/New_York", "US", "NY")
    at = local("America/New_York", 2027, 12, 30, 17)
    assert there.after(at, read("2 working hours")) == local("America/New_York", 2028, 1, 3, 9)


@pytest.mark.parametrize(
    ("now", "wait", "then"),
    [
        ((2026, 11, 25, 2, 5), "daily", (2026, 11, 26, 7)),
        ((2026, 11, 25, 23, 59), "daily", (2026, 11, 26, 7)),
        ((2027, 3, 27, 12, 0), "daily", (2027, 3, 28, 7)),
        ((2026, 10, 24, 7, 0), "daily", (2026, 10, 25, 7)),
        ((2028, 2, 28, 7, 0), "daily", (2028, 2, 29, 7)),
        ((2026, 12, 28, 9, 0), "weekly", (2027, 1, 4, 7)),
    ],
)
def test_a_cadence_counts_civil_days(now: tuple[int, ...], wait: str, then: tuple[int, ...]) -> None:
    assert here().after(local("Europe/Berlin", *now), read(wait, cadence=True)) == local("Europe/Berlin", *then)


@pytest.mark.parametrize(
    ("at", "quiet"),
    [((20, 59), False), ((21, 0), True), ((23, 59), True), ((0, 0), True), ((6, 59), True), ((7, 0), False)],
)
def test_quiet_hours_go_over_midnight(at: tuple[int, int], quiet: bool) -> None:
    instant = local("Europe/Berlin", 2026, 11, 25, *at)
    assert here().quiet(instant) is quiet
    if quiet:
        end = here().first_not_quiet(instant)
        day = 26 if at[0] >= 21 else 25
        assert end == local("Europe/Berlin", 2026, 11, day, 7)
    else:
        assert here().first_not_quiet(instant) == instant


def test_quiet_hours_within_a_day_and_none_at_all() -> None:
    noon = Hours(TIMES._replace(quiet_from=time(12), quiet_until=time(14)), "Asia/Tokyo")
    assert noon.first_not_quiet(local("Asia/Tokyo", 2026, 11, 25, 13)) == local("Asia/Tokyo", 2026, 11, 25, 14)
    assert not noon.quiet(local("Asia/Tokyo", 2026, 11, 25, 3))
    never = Hours(TIMES._replace(quiet_from=time(7)), "Asia/Tokyo")
    assert not never.quiet(local("Asia/Tokyo", 2026, 11, 25, 3))


def test_where_no_country_is_known_monday_to_friday_are_working_days() -> None:
    nowhere = Hours(TIMES, "Europe/Berlin")
    assert nowhere.first_working(local("Europe/Berlin", 2026, 11, 28, 12)) == local("Europe/Berlin", 2026, 11, 30, 8)
    assert nowhere.first_working(local("Europe/Berlin", 2026, 12, 25, 12)) == local("Europe/Berlin", 2026, 12, 25, 12)


@settings(max_examples=60, deadline=None)
@given(
    day=st.dates(date(2026, 1, 1), date(2028, 12, 1)),
    quarter=st.integers(0, 95),
    quarters=st.integers(0, 120),
    place=st.sampled_from(
        [
            ("Europe/Berlin", "DE", "BY"),
            ("America/New_York", "US", "NY"),
            ("Australia/Lord_Howe", "AU", "NSW"),
            ("Asia/Riyadh", "SA", ""),
        ]
    ),
)
def test_working_time_is_what_a_walk_by_quarter_hours_counts(
    day: date, quarter: int, quarters: int, place: tuple[str, str, str]
) -> None:
    """The walk asks the `holidays` library day by day and the clock on the wall by `zoneinfo`."""
    zone, country, subdivision = place
    at = datetime.combine(day, time(), tzinfo=UTC) + timedelta(minutes=15 * quarter)
    calendar = holidays.country_holidays(country, subdiv=subdivision or None)
    left, walked = quarters, at
    while left:
        wall = walked.astimezone(ZoneInfo(zone))
        if calendar.is_working_day(wall.date()) and time(8) <= wall.time() < time(18):
            left -= 1
        walked += timedelta(minutes=15)
    found = Hours(TIMES, zone, country, subdivision).after(at, read(f"{quarters * 15} working minutes"))
    # Both ends of the same span: what has been worked is the same, the walk stops where the last quarter ends.
    if quarters:
        assert found == walked
    else:
        assert found >= at
