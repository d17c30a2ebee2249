"""Which sites are closed on a day, and until when: seasons and dates as recorded. Never moves a date of a duty."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import BindParameter, Connection, Select, bindparam, or_, select

from ..reckoning.dates import add_months, local_day
from ..store.recalling import recall
from ..store.tables import closures, sites

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Closure:
    """One closure of a site, both days included. `until_on` None: nobody knows yet. With `every_year` the days of the
    first season; the same days close it in every later year, 29 February being 28 February in a year without one."""

    id: int
    site_id: int
    from_on: date
    until_on: date | None
    every_year: bool
    reason: str

    def spells(self, on: date) -> Iterator[tuple[date, date | None]]:
        """The spells of it that can have to do with the day or the year after it, first and last day."""
        if not self.every_year or self.until_on is None:
            yield self.from_on, self.until_on
            return
        # A season over New Year began in the year before.
        first = max(0, on.year - self.from_on.year - 1)
        for years in range(first, first + 4):
            yield add_months(self.from_on, 12 * years), add_months(self.until_on, 12 * years)


def closed(conn: Connection, on: date) -> dict[int, date | None]:
    """The sites closed on that civil date at the site, with the last closed day of the spell; None: open-ended.

    Closures that follow on one another without an open day between them count as one spell.
    """
    held: dict[int, list[Closure]] = {}
    for closure in recall(conn, ("closures", on), (closures,), lambda: all_closures(conn, on)):
        held.setdefault(closure.site_id, []).append(closure)
    found: dict[int, date | None] = {}
    for site_id, theirs in held.items():
        spell = spell_on(theirs, on)
        if spell is not None:
            found[site_id] = spell[1]
    return found


@dataclass(frozen=True, slots=True)
class ClosedSite:
    """A site that is closed now, until the last day (None: no end is known), and why."""

    site: str
    name: str
    until_on: date | None
    reason: str

    def line(self) -> str:
        """In words, without a full stop."""
        until = f"to {self.until_on}" if self.until_on is not None else "until further notice"
        return f"{self.name or self.site} is closed {until}{f' ({self.reason})' if self.reason else ''}"


def closed_now(conn: Connection, now: datetime) -> list[ClosedSite]:
    """The sites that are closed on their own civil day at that instant, by code."""
    held: dict[int, list[Closure]] = {}
    for closure in all_closures(conn, now.date() - _DAY):
        held.setdefault(closure.site_id, []).append(closure)
    found = []
    listed = sorted(held)
    for start in range(0, len(listed), 500):
        query = select(sites).where(sites.c.id.in_(listed[start : start + 500]))
        for row in conn.execute(query):
            spell = spell_on(held[row.id], local_day(now, row.time_zone))
            if spell is not None:
                found.append(ClosedSite(row.site, row.name, spell[1], spell[0].reason))
    return sorted(found, key=lambda closed: closed.site)


def all_closures(conn: Connection, since: date | None = None, site_id: int | None = None) -> list[Closure]:
    """Closures on record by site and first day; with `since`, without those that were over before that day."""
    query = _query(since is not None, site_id is not None)
    return [
        Closure(row.id, row.site_id, row.from_on, row.until_on, row.every_year, row.reason)
        for row in conn.execute(query, {"b_since": since, "b_site_id": site_id})
    ]


@lru_cache(maxsize=4)
def _query(recent: bool, of_site: bool) -> Select[Any]:
    query = select(closures).order_by(closures.c.site_id, closures.c.from_on)
    if recent:
        since: BindParameter[date] = bindparam("b_since")
        query = query.where(or_(closures.c.every_year, closures.c.until_on.is_(None), closures.c.until_on >= since))
    return query.where(closures.c.site_id == bindparam("b_site_id")) if of_site else query


def spell_on(theirs: Iterable[Closure], on: date) -> tuple[Closure, date | None] | None:
    """Of one site's closures: the one that closes it on that day, and the last day before it opens again (None: no
    end is known). None where it is open. Seasons that leave no open day for two years have no end."""
    theirs = list(theirs)
    by: Closure | None = None
    end = on - _DAY
    while True:
        reaching = [
            (last, closure)
            for closure in theirs
            for first, last in closure.spells(end + _DAY)
            if first <= end + _DAY and (last is None or last > end)
        ]
        if not reaching:
            return None if by is None else (by, end)
        longest, closure = max(reaching, key=lambda found: found[0] or date.max)
        by = by or closure
        if longest is None or (closure.every_year and longest > add_months(on, 24)):
            return by, None
        end = longest
