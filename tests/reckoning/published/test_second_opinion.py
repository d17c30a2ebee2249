"""A second opinion on every shape: dateutil on ten thousand random dates each, with a fixed seed."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import holidays
import pytest
from dateutil import zoneinfo
from dateutil.relativedelta import MO, SU, relativedelta
from dateutil.rrule import DAILY, FR, TH, TU, WE, rrule
from dateutil.rrule import MO as MONDAY

from nightround.reckoning.dates import add_months, hours_after, last_good_day, local_day, opens, working_days
from nightround.reckoning.rules import Shape, Span

FIRST, LAST = date(1990, 1, 1), date(2090, 12, 31)
TIMES = 10_000


def random_days(seed: str, first: date = FIRST, last: date = LAST) -> list[tuple[date, random.Random]]:
    chance = random.Random(seed)  # noqa: S311  nothing secret: the same dates on every run
    span = (last - first).days
    return [(first + timedelta(days=chance.randint(0, span)), chance) for _ in range(TIMES)]


def quarter_after(day: date) -> date:
    begin = day + relativedelta(day=1, month=3 * ((day.month - 1) // 3) + 1)
    return begin + relativedelta(months=6, days=-1)


SECOND: dict[str, tuple[Callable[[int], Shape], Callable[[date, int], date]]] = {
    "days": (lambda n: Shape(Span.DAYS, n), lambda day, n: day + relativedelta(days=n)),
    "months": (lambda n: Shape(Span.MONTHS, n), lambda day, n: day + relativedelta(months=n)),
    "months to month end": (
        lambda n: Shape(Span.MONTHS_TO_MONTH_END, n),
        lambda day, n: day + relativedelta(months=n, day=31),
    ),
    "each week": (
        lambda n: Shape(Span.EACH, period="week"),
        lambda day, n: day + relativedelta(days=1, weekday=MO(1)) + relativedelta(weekday=SU(1)),
    ),
    "each month": (
        lambda n: Shape(Span.EACH, period="month"),
        lambda day, n: day + relativedelta(months=1, day=31),
    ),
    "each quarter": (lambda n: Shape(Span.EACH, period="quarter"), lambda day, n: quarter_after(day)),
    "each year": (
        lambda n: Shape(Span.EACH, period="year"),
        lambda day, n: day + relativedelta(years=1, month=12, day=31),
    ),
    "at once": (lambda n: Shape(Span.AT_ONCE), lambda day, n: day + relativedelta()),
}


@pytest.mark.parametrize("name", SECOND)
def test_dateutil_gives_the_same_last_good_day(name: str) -> None:
    shape_of, theirs = SECOND[name]
    for day, chance in random_days(name):
        n = chance.randint(1, 130)
        shape = shape_of(n)
        good = last_good_day(shape, day)
        assert good == theirs(day, n), (day, shape)
        assert day <= opens(shape, day, good) <= good, (day, shape)


def test_dateutil_gives_the_same_month_back() -> None:
    for day, chance in random_days("back"):
        n = chance.randint(1, 36)
        assert add_months(day, -n) == day - relativedelta(months=n), (day, n)


@pytest.mark.parametrize(("country", "subdivision"), [("US", "AZ"), ("GB", "ENG"), ("DE", "BY"), ("JP", "")])
def test_dateutil_and_the_list_of_holidays_give_the_same_working_days(country: str, subdivision: str) -> None:
    first, last = date(2005, 1, 1), date(2040, 12, 31)
    resting = holidays.country_holidays(country, subdiv=subdivision or None, years=range(2005, 2044))
    weekdays = rrule(
        DAILY,
        dtstart=datetime(2005, 1, 1, tzinfo=UTC),
        until=datetime(2042, 12, 31, tzinfo=UTC),
        byweekday=(MONDAY, TU, WE, TH, FR),
    )
    days = [moment.date() for moment in weekdays if moment.date() not in resting]
    working = working_days(country, subdivision)
    for day, chance in random_days(country, first, last):
        n = chance.randint(1, 40)
        theirs = days[bisect_right(days, day) + n - 1]
        assert last_good_day(Shape(Span.WORKING_DAYS, n), day, working) == theirs, (day, n)


def test_dateutil_gives_the_same_local_day_of_a_deadline_in_hours() -> None:
    # dateutil's own copy of the time zones, and its own arithmetic; years that no later change of rules touches
    names = ["Europe/Madrid", "America/New_York", "America/Phoenix", "Australia/Lord_Howe", "Asia/Tokyo"]
    theirs = {name: zoneinfo.get_zonefile_instance().get(name) for name in names}
    for day, chance in random_days("hours", date(2010, 1, 1), date(2026, 12, 31)):
        name, n = chance.choice(names), chance.randint(1, 200)
        used = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(minutes=chance.randint(0, 1439))
        deadline = used + relativedelta(hours=n)
        assert hours_after(used, n) == deadline
        assert local_day(hours_after(used, n), name) == deadline.astimezone(theirs[name]).date(), (used, name, n)
