"""Who is away on a day, as recorded: both days of an absence included, in the person's zone. Says nothing of why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, bindparam, func, select

from ..store.recalling import recall
from ..store.tables import absences, people, person_sites, sites

_DAY = timedelta(days=1)
_AHEAD = timedelta(days=365 * 50)


@dataclass(frozen=True, slots=True)
class Absence:
    """Days on which somebody is away, both included, and the same as instants (`until_at` exclusive)."""

    id: int
    person_id: int
    person: str
    from_on: date
    until_on: date
    note: str
    from_at: datetime
    until_at: datetime


def absences_between(conn: Connection, start: datetime, end: datetime, fleet_zone: str = "UTC") -> list[Absence]:
    """Absences that reach into the time from `start` to `end` (an instant where both are the same), by first day.

    Days are those of the person's own zone: the one on record, else that of their first site, else `fleet_zone`.
    """
    # A civil day anywhere lies within a day of the same day in UTC.
    first, last = start.astimezone(UTC).date() - _DAY, end.astimezone(UTC).date() + _DAY
    read = (absences, people)
    named = {"b_first": first, "b_last": last}
    rows = recall(conn, ("absences", first, last), read, lambda: conn.execute(_BETWEEN, named).all())
    zones = zones_of(conn, {row.person_id for row in rows}, fleet_zone)
    found = []
    for row in rows:
        zone = zones[row.person_id]
        from_at, until_at = day_starts(row.from_on, zone), day_starts(row.until_on + _DAY, zone)
        if from_at <= start < until_at or start <= from_at < end:
            found.append(
                Absence(row.id, row.person_id, row.person, row.from_on, row.until_on, row.note, from_at, until_at)
            )
    return found


_BETWEEN = (
    select(absences, people.c.person)
    .join(people, people.c.id == absences.c.person_id)
    .where(absences.c.from_on <= bindparam("b_last"), absences.c.until_on >= bindparam("b_first"))
    .order_by(absences.c.from_on, people.c.person)
)


def absences_of(conn: Connection, person_id: int, now: datetime, fleet_zone: str = "UTC") -> list[Absence]:
    """One person's absences that are not over, by first day."""
    ahead = absences_between(conn, now, now + _AHEAD, fleet_zone)
    return [absence for absence in ahead if absence.person_id == person_id]


def zones_of(conn: Connection, person_ids: Iterable[int], fleet_zone: str) -> dict[int, ZoneInfo]:
    """The zone in which each of these people counts days."""
    wanted = list(person_ids)
    if not wanted:
        return {}
    first = (
        select(person_sites.c.person_id, func.min(person_sites.c.site_id).label("site_id"))
        .group_by(person_sites.c.person_id)
        .subquery()
    )
    query = (
        select(people.c.id, people.c.time_zone, sites.c.time_zone.label("home"))
        .outerjoin(first, first.c.person_id == people.c.id)
        .outerjoin(sites, sites.c.id == first.c.site_id)
        .where(people.c.id.in_(wanted))
    )
    return {row.id: first_known(row.time_zone, row.home, fleet_zone) for row in conn.execute(query)}


def first_known(*names: str | None) -> ZoneInfo:
    """The first that is a time zone; names do vanish from one release of the tz database to the next."""
    for name in names:
        try:
            if name:
                return ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            continue
    return ZoneInfo("UTC")


def day_starts(day: date, zone: ZoneInfo) -> datetime:
    """The instant at which a civil day begins there."""
    return datetime.combine(day, time(), zone).astimezone(UTC)
