"""Civil-day arithmetic: each shape of reckoning.md §1 as a small function. A day is a civil date at the site.

Every "last good day" here is the final day on which the duty is still met; the first bad day is the day after.
"""

from __future__ import annotations

from calendar import monthrange
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays

from .rules import Shape, Span

ONE_DAY = timedelta(days=1)
PERIODS = ("week", "month", "quarter", "year")


def first_bad_day(last_good_day: date) -> date:
    """The day after the last good day; what iCalendar calls DUE and DTEND (RFC 5545: both exclusive)."""
    return last_good_day + ONE_DAY


def add_months(day: date, n: int) -> date:
    """The same day `n` months on (or back), clamped to the month's end: RFC 7529 SKIP=BACKWARD."""
    months = day.month - 1 + n
    year = day.year + months // 12
    month = months % 12 + 1
    number = day.day
    if number > 28:
        number = min(number, monthrange(year, month)[1])
    return date(year, month, number)


def month_end(day: date) -> date:
    """The last day of the day's month."""
    return date(day.year, day.month, monthrange(day.year, day.month)[1])


def period_start(day: date, period: str) -> date:
    """The first day of the calendar period (ISO week, month, quarter, year) that holds the day."""
    if period == "week":
        return day - timedelta(days=day.weekday())
    if period == "month":
        return day.replace(day=1)
    if period == "quarter":
        return date(day.year, (day.month - 1) // 3 * 3 + 1, 1)
    if period == "year":
        return date(day.year, 1, 1)
    raise ValueError(f"no such calendar period: {period!r}")


def period_end(day: date, period: str) -> date:
    """The last day of the calendar period that holds the day."""
    if period == "week":
        return day + timedelta(days=6 - day.weekday())
    if period == "month":
        return month_end(day)
    if period == "quarter":
        return month_end(add_months(period_start(day, period), 2))
    if period == "year":
        return date(day.year, 12, 31)
    raise ValueError(f"no such calendar period: {period!r}")


class WorkingDays:
    """Working days at a place: neither its weekend nor a public holiday there (`holidays` library, observed days too).

    Where the library knows no such country or subdivision, the nearest wider scope is used, in the end Monday to
    Friday; `known` says whether holidays could be taken into account at all.
    """

    def __init__(self, country: str = "", subdivision: str = "") -> None:
        self.known = True
        calendar: holidays.HolidayBase | None = None
        supported = holidays.list_supported_countries(include_aliases=True)
        if country in supported:
            subdivisions = supported[country]
            calendar = holidays.country_holidays(country, subdiv=subdivision if subdivision in subdivisions else None)
        else:
            self.known = False
        self._calendar = calendar
        self._seen: dict[date, bool] = {}

    def is_working(self, day: date) -> bool:
        """Whether people work on that day there."""
        known = self._seen.get(day)
        if known is None:
            known = day.weekday() < 5 if self._calendar is None else bool(self._calendar.is_working_day(day))
            self._seen[day] = known
        return known

    def add(self, day: date, n: int) -> date:
        """The n-th working day after the day; the day itself is not counted."""
        while n > 0:
            day += ONE_DAY
            if self.is_working(day):
                n -= 1
        return day

    def back_to_working(self, day: date) -> date:
        """The day itself if people work on it, else the last working day before it."""
        while not self.is_working(day):
            day -= ONE_DAY
        return day


@lru_cache(maxsize=512)
def working_days(country: str, subdivision: str) -> WorkingDays:
    """The shared calendar of a place."""
    return WorkingDays(country, subdivision)


def last_good_day(shape: Shape, evidence: date, working: WorkingDays | None = None) -> date:
    """The last good day of a shape, from the day of the last evidence (or of the event).

    Raises ValueError for the shapes that need more than a day (hours: see `hours_after`; per model and label: the
    model sheet and the part say), and OverflowError beyond the year 9999.
    """
    span = shape.span
    if span is Span.MONTHS:
        return add_months(evidence, shape.n)
    if span is Span.DAYS:
        return evidence + timedelta(days=shape.n)
    if span is Span.EACH:
        return period_end(first_bad_day(period_end(evidence, shape.period)), shape.period)
    if span is Span.MONTHS_TO_MONTH_END:
        return month_end(add_months(evidence, shape.n))
    if span is Span.WORKING_DAYS:
        return (working or working_days("", "")).add(evidence, shape.n)
    if span is Span.AT_ONCE:
        return evidence
    raise ValueError(f"the shape {span.value!r} has no last good day by itself")


def opens(shape: Shape, evidence: date, good_until: date, window_days: int | None = None) -> date:
    """The first day on which doing it counts for the coming period.

    Calendar periods: the first day of the period. Intervals: the last good day less the window, which by default
    is a third of the interval, at most 30 days and at least 1. Never before the evidence itself.
    """
    if shape.span is Span.EACH:
        return period_start(good_until, shape.period)
    if shape.span in (Span.AT_ONCE, Span.HOURS, Span.WORKING_DAYS):
        return evidence
    if window_days is None:
        window_days = min(30, max(1, (good_until - evidence).days // 3))
    return max(evidence, good_until - timedelta(days=window_days))


def hours_after(instant: datetime, n: int) -> datetime:
    """The instant `n` elapsed hours later, in UTC, whatever clocks do in between."""
    if instant.tzinfo is None:
        raise ValueError(f"an instant needs a time zone: {instant!r}")
    return instant.astimezone(UTC) + timedelta(hours=n)


def local_day(instant: datetime, zone: str) -> date:
    """The civil date in the zone at that instant."""
    return instant.astimezone(_zone(zone)).date()


@lru_cache(maxsize=8192)
def local_instant(day: date, at: time, zone: str) -> datetime:
    """The instant of a local wall time, in UTC.

    A time that happens twice is its first occurrence, one that is skipped takes the offset from before the gap
    (RFC 5545 §3.3.5), so that every civil date has exactly one such instant.
    """
    return datetime.combine(day, at.replace(fold=0), tzinfo=_zone(zone)).astimezone(UTC)


@lru_cache(maxsize=1024)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)
