"""Which civil date is owed in a zone. Looks at dates, never at whether a clock time exists that day."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from ..reckoning.dates import local_day, local_instant


def owed_date(zone: str, now: datetime, at: time) -> date:
    """The latest civil date whose round is owed at `now`: the last one whose local time `at` has come.

    Where that wall time is skipped the round is owed an hour later by the clock, where it happens twice it is owed
    at the first; every civil date of the zone comes up exactly once either way.
    """
    day = local_day(now, zone)
    return day if local_instant(day, at, zone) <= now else day - timedelta(days=1)


def next_instant(zone: str, now: datetime, at: time) -> datetime:
    """When the next round of the zone will be owed, in UTC."""
    return local_instant(owed_date(zone, now, at) + timedelta(days=1), at, zone)
