"""Working hours and quiet hours where somebody is: pure reckoning of instants, for the steps of a ladder.

A local time that a change of the clock skips or repeats is one instant all the same (RFC 5545 §3.3.5).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import NamedTuple

from ..reckoning.dates import ONE_DAY, local_day, local_instant, working_days
from ..waits import Wait

_LONGEST = 800  # days looked ahead; no calendar has so many days off in a row


class Times(NamedTuple):
    """Wall times, the same everywhere: `work_until` and `quiet_until` are the first moment no longer within.

    Quiet hours may go over midnight; where both ends are the same there are none.
    """

    work_from: time
    work_until: time
    quiet_from: time
    quiet_until: time
    letters_at: time


class Hours(NamedTuple):
    """The times at one place: its zone, and the weekends and public holidays of country and subdivision."""

    times: Times
    zone: str
    country: str = ""
    subdivision: str = ""

    @lru_cache(maxsize=8192)  # noqa: B019 - of values only; many cases wait from the same instants, look after look
    def after(self, start: datetime, wait: Wait) -> datetime:
        """The instant at which the wait is over that began at `start`; never before it."""
        if wait.every:
            return local_instant(
                local_day(start, self.zone) + timedelta(days=wait.every), self.times.letters_at, self.zone
            )
        if not wait.working:
            return start + timedelta(minutes=wait.minutes)
        left = timedelta(minutes=wait.minutes)
        if wait.days:
            a_day = datetime.combine(date.min, self.times.work_until) - datetime.combine(date.min, self.times.work_from)
            left = wait.days * a_day
        at = start
        for begin, end in self._working(start):
            at = max(start, begin)
            if end - at >= left:
                return at + left
            left -= end - at
        raise OverflowError(f"no working hours within {_LONGEST} days of {start.isoformat()} in {self.zone}")

    def next_letters(self, at: datetime) -> datetime:
        """The first instant, from that one on, at which letters are written here."""
        day = local_day(at, self.zone)
        while (instant := local_instant(day, self.times.letters_at, self.zone)) < at:
            day += ONE_DAY
        return instant

    def first_working(self, at: datetime) -> datetime:
        """That instant if people work then, else the next at which they begin to."""
        begin, _ = next(self._working(at))
        return max(at, begin)

    @lru_cache(maxsize=8192)  # noqa: B019 - as above
    def first_not_quiet(self, at: datetime) -> datetime:
        """That instant if it lies outside the quiet hours, else their end."""
        if not self.quiet(at):
            return at
        day = local_day(at, self.zone)
        while (end := local_instant(day, self.times.quiet_until, self.zone)) <= at:
            day += ONE_DAY
        return end

    def quiet(self, at: datetime) -> bool:
        """Whether the instant lies within the quiet hours: some evening's begin came later than the last end."""
        start, until = self.times.quiet_from, self.times.quiet_until
        if start == until:
            return False
        today = local_day(at, self.zone)
        for day in (today, today - ONE_DAY):
            begin = local_instant(day, start, self.zone)
            end = local_instant(day if start < until else day + ONE_DAY, until, self.zone)
            if begin <= at < end:
                return True
        return False

    def _working(self, at: datetime) -> Iterator[tuple[datetime, datetime]]:
        """The working hours that end after the instant, one day after the other."""
        calendar = working_days(self.country, self.subdivision)
        # A day earlier: where the working day goes on past midnight UTC nothing may be left out.
        day = local_day(at.astimezone(UTC), self.zone) - ONE_DAY
        for _ in range(_LONGEST):
            if calendar.is_working(day):
                begin = local_instant(day, self.times.work_from, self.zone)
                end = local_instant(day, self.times.work_until, self.zone)
                if end > at:
                    yield begin, end
            day += ONE_DAY
