"""Where a unit stood when: read from its `moved` entries, so that an earlier entry keeps the day of its own place.

A `moved` entry that changed the site says where to (`site`), and every one keeps where the register had the unit when
it was written (`from`). Entries are written late and struck, so that only the first written still says where the unit
stood before it: where it stood since follows from where the unstruck ones led, in the order of time. A place that is
not on record is taken for the present site. Nothing is written here.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from ..reckoning.dates import local_day
from ..reckoning.facts import Place, Stay
from ..reckoning.placing import MOVED
from ..store.tables import log, sites, units

# Readings of a `moved` entry that say where to, by whose hand, and in whose place.
SITE, SPOT, FLOOR, COVERS = "site", "spot", "floor", "covers"
# What recording adds: how the register stood before, to tell earlier days by and to turn a wrong entry back.
FROM, FROM_SPOT, FROM_FLOOR, FROM_POSITION = "from", "from-spot", "from-floor", "from-position"
ADDED = (FROM, FROM_SPOT, FROM_FLOOR, FROM_POSITION)
# Who tells of an entry that a sheet of units led to: the register itself, which counts as known for these entries.
TOLD_BY, IMPORT = "told-by", "import"
TOLD_BY_FILES = ("moved", "withdrawn")


class Spot(NamedTuple):
    """What of a site decides days and rules."""

    time_zone: str
    country: str
    subdivision: str
    site_type: str = ""

    @property
    def place(self) -> Place:
        """What decides which rules bind; the time zone does not."""
        return Place("", self.country, self.subdivision, self.site_type)


class Stand(NamedTuple):
    """Where a unit stands, as the register says it."""

    site: str
    spot: str = ""
    floor: str = ""
    latitude: float | None = None
    longitude: float | None = None

    def moved(self, said: Mapping[str, str]) -> Stand:
        """Where it stands after a move: spot, floor and position were those of the old place until somebody says."""
        place = self
        if said.get(SITE, self.site) != self.site:
            place = Stand(said[SITE])
        elif SPOT in said:
            place = self._replace(latitude=None, longitude=None)
        return place._replace(spot=said.get(SPOT, place.spot), floor=said.get(FLOOR, place.floor))


def before(said: Mapping[str, str]) -> Stand:
    """Where it stood before a move, as its entry keeps it."""
    latitude, _, longitude = said.get(FROM_POSITION, "").partition(",")
    position = (float(latitude), float(longitude)) if latitude else (None, None)
    return Stand(said[FROM], said.get(FROM_SPOT, ""), said.get(FROM_FLOOR, ""), *position)


class Stays:
    """The sites at which one unit stood: at `origin` ("": not on record) until the first of `moves`.

    These are its unstruck entries that name a site, in the order of time: instant, number of the entry, site.
    """

    def __init__(
        self, present: Spot, origin: str, moves: Sequence[tuple[datetime, int, str]], places: Mapping[str, Spot]
    ) -> None:
        self._present = present
        self._places = places
        self._origin = origin
        self._moves: list[tuple[datetime, int, str]] = []
        site = origin
        for move in moves:
            if move[2] != site:
                site = move[2]
                self._moves.append(move)

    def at(self, instant: datetime) -> Spot:
        """Where it stood at the instant; a move's own instant is at its new place."""
        if not self._moves:
            return self._present
        site = self._origin
        for at, _, to in self._moves:
            if at <= instant:
                site = to
        return self._places.get(site, self._present)

    def in_order(self) -> tuple[Stay, ...]:
        """Where it stood, as far as rules may differ there, the present stay last; empty where it never made a
        difference. A place that is not on record any more is taken for the present one."""
        found: list[Stay] = []
        origin = self._places.get(self._origin, self._present) if self._moves else self._present
        where: list[tuple[date | None, Spot]] = [(None, origin)]
        where += [(local_day(at, self.zone(at)), self._places.get(to, self._present)) for at, _, to in self._moves]
        where[-1] = (where[-1][0], self._present)
        for since, spot in where:
            if not found or found[-1].place != spot.place:
                found.append(Stay(since, spot.place))
        return tuple(found) if len(found) > 1 else ()

    def before(self, at: datetime, number: int) -> Spot | None:
        """Where it stood before the move of that instant and number; None where that is not on record."""
        site = self._origin
        for since, other, to in self._moves:
            if (since, other) < (at, number):
                site = to
        return self._places.get(site)

    def zone(self, instant: datetime) -> str:
        """The time zone in which an entry of that instant is read."""
        return self.at(instant).time_zone


def places_of(conn: Connection) -> dict[str, Spot]:
    """Every site by its code."""
    query = select(sites.c.site, sites.c.time_zone, sites.c.country, sites.c.subdivision, sites.c.site_type)
    return {code: Spot(*rest) for code, *rest in conn.execute(query)}


def stays_of(rows: Iterable[Any], present: Spot, places: Mapping[str, Spot]) -> Stays:
    """The stays of a unit from its log rows (with `id`, `at`, `entry`, `readings`, `strikes`), in the order of time."""
    listed = list(rows)
    struck = {row.strikes for row in listed if row.strikes is not None}
    told = {row.id: json.loads(row.readings) for row in listed if row.entry == MOVED and '"from"' in row.readings}
    if not told:
        return Stays(present, "", (), {})
    first = first_written(told, struck)
    moves = sorted(
        (row.at, row.id, told[row.id][SITE])
        for row in listed
        if row.id not in struck and SITE in told.get(row.id, ()) and FROM in told[row.id]
    )
    return Stays(present, "" if first is None else told[first][FROM], moves, places)


def first_written(moves: Mapping[int, Mapping[str, str]], struck: Collection[int]) -> int | None:
    """The number of the move that says where the unit stood before all of them, struck or not: later ones keep what the
    register said by those before. None where none says so. `moves`: what each says, by its number.

    One that a sheet of units led to is passed over once it is struck: the unit stands where the sheet says even so.
    """
    known = (number for number, said in moves.items() if FROM in said and not (number in struck and TOLD_BY in said))
    return min(known, default=None)


def stays(conn: Connection, unit_id: int) -> Stays:
    """The stays of one unit."""
    here = (
        select(sites.c.time_zone, sites.c.country, sites.c.subdivision, sites.c.site_type)
        .join(units, units.c.site_id == sites.c.id)
        .where(units.c.id == unit_id)
    )
    present = Spot(*conn.execute(here).one())
    query = select(log.c.id, log.c.at, log.c.entry, log.c.readings, log.c.strikes).where(log.c.unit_id == unit_id)
    rows = conn.execute(query.where(log.c.entry.in_((MOVED, "struck")))).all()
    if not any(row.entry == MOVED and '"from"' in row.readings for row in rows):
        return Stays(present, "", (), {})
    return stays_of(rows, present, places_of(conn))
