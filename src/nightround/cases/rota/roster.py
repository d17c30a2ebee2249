"""The rota of a span of time: the calendar file and the table put together. Reads; tells nobody.

A row of the table beats the file for its time, at the sites that its person looks after: a swap needs one row and no
change of the file. Shifts may overlap: then several are on call. Whom a shift names is on call by it, away or not,
reachable or not; `unwatched` is where that leaves a site to nobody.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from ... import addresses
from ...settings import Settings
from ...store.recalling import recall
from ...store.tables import absences, people, person_roles, person_sites, rota, rota_files, sites, units
from ..absences import Absence, absences_between, first_known
from .kept import in_use
from .names import load_names

TABLE, FILE = "table", "file"
_WEEK = timedelta(days=7)
_READ_FROM = (absences, people, person_roles, person_sites, rota, rota_files, sites, units)


class Shift(NamedTuple):
    """Somebody is on call from an instant to another, exclusive. `source`: "table", or "file" (cut where the table
    beats it); `event` is how a person finds it in the file."""

    person_id: int
    from_at: datetime
    until_at: datetime
    source: str
    event: str = ""


class Gap(NamedTuple):
    """A time in which a site is left to nobody, though a rota is kept for it. `why` says who should have been."""

    from_at: datetime
    until_at: datetime
    site_ids: tuple[int, ...]
    why: str


@dataclass(frozen=True, slots=True)
class _Person:
    code: str
    reached: bool
    whole_fleet: bool
    site_ids: frozenset[int]
    on_call: bool  # has the role

    def serves(self, site_id: int) -> bool:
        return self.whole_fleet or site_id in self.site_ids


class Rota:
    """Who is on call between two instants. Made once for a sweep; asked outside its time it raises ValueError."""

    def __init__(
        self,
        start: datetime,
        end: datetime,
        table: Iterable[Shift],
        file: Iterable[Shift],
        persons: dict[int, _Person],
        ever: frozenset[int],
        all_sites: frozenset[int],
        sites_with_units: frozenset[int],
        away: Iterable[Absence],
        problems: tuple[str, ...],
        kept: bool,
    ) -> None:
        self.start, self.end = start, end
        self.problems = problems
        self.kept = kept  # whether there is a rota at all; without one there are no gaps either
        self._table, self._file = list(table), list(file)
        self._people = persons
        self._ever = ever
        self._all_sites = all_sites
        self.sites = sites_with_units  # sites where units stand
        self._away = list(away)
        self._flat = sorted(
            [*self._table, *self._cut()], key=lambda shift: (shift.from_at, persons[shift.person_id].code)
        )

    @classmethod
    def load(cls, conn: Connection, settings: Settings, start: datetime, end: datetime) -> Rota:
        """Reads the table and the file of the settings for the time from `start` to `end` (exclusive).

        What is wrong with the file, with an event in that time or with somebody on the rota is in `problems`.
        """
        zone = first_known(settings.fleet.time_zone)
        found = in_use(conn, settings, start, end, zone)
        problems = [found.problem] if found.problem else []
        file: list[Shift] = []
        ever = set(conn.execute(select(rota.c.person_id).where(rota.c.until_at > rota.c.from_at).distinct()).scalars())
        kept = bool(ever) or settings.rota.file is not None
        if found.reading is not None:
            names = load_names(conn)
            for mentioned in found.mentioned:
                ever |= names.of(mentioned)[0]
            problems += [f"rota.file: {problem}" for problem in found.reading.problems]
            for shift in found.reading.shifts:
                if shift.from_at < end and shift.until_at > start:
                    meant, wrong = names.of(shift)
                    problems += [f"rota.file: {sentence}" for sentence in wrong]
                    file += [
                        Shift(person_id, shift.from_at, shift.until_at, FILE, shift.event)
                        for person_id in sorted(meant)
                    ]
        first = min([start, *(shift.from_at for shift in file)])
        last = max([end, *(shift.until_at for shift in file)])
        rows = conn.execute(
            select(rota.c.person_id, rota.c.from_at, rota.c.until_at)
            .where(rota.c.from_at < last, rota.c.until_at > first, rota.c.until_at > rota.c.from_at)
            .order_by(rota.c.from_at, rota.c.id)
        )
        table = [Shift(row.person_id, row.from_at, row.until_at, TABLE) for row in rows]
        persons = _persons(conn, ever | {shift.person_id for shift in (*table, *file)})
        serving = {shift.person_id for shift in (*table, *file) if shift.from_at < end and shift.until_at > start}
        problems += _useless(persons, serving)
        all_sites = frozenset(conn.execute(select(sites.c.id)).scalars())
        has_units = select(units.c.site_id)
        with_units = frozenset(conn.execute(select(sites.c.id).where(sites.c.id.in_(has_units))).scalars())
        away = absences_between(conn, start, end, settings.fleet.time_zone)
        wrong = tuple(dict.fromkeys(problems))
        return cls(start, end, table, file, persons, frozenset(ever), all_sites, with_units, away, wrong, kept)

    @classmethod
    def around(cls, conn: Connection, settings: Settings, at: datetime, ahead: timedelta) -> Rota:
        """The rota of the whole week of that instant, from Monday in UTC, and for so long after it."""
        day = at.astimezone(UTC).date()
        monday = datetime.combine(day - timedelta(days=day.weekday()), time(), UTC)
        end = monday + _WEEK + ahead
        return recall(conn, ("rota", monday.date(), ahead), _READ_FROM, lambda: cls.load(conn, settings, monday, end))

    def on_call(self, at: datetime, site_id: int | None = None) -> frozenset[int]:
        """The ids of who is on call at that instant: for the site, or for any. Empty in a gap."""
        self._within(at)
        if site_id is None:
            return frozenset(shift.person_id for shift in self._flat if shift.from_at <= at < shift.until_at)
        return self._chosen(at, site_id)

    def on_call_among(self, at: datetime, site_ids: Iterable[int] | None) -> frozenset[int]:
        """The ids of who is on call for at least one of the sites; None: as `on_call` for any."""
        if site_ids is None:
            return self.on_call(at)
        # Sites with the same people have the same answer.
        kinds = {frozenset(p for p in self._ever if self._people[p].serves(site_id)): site_id for site_id in site_ids}
        return frozenset().union(*(self.on_call(at, site_id) for site_id in kinds.values()))

    def state(self, at: datetime) -> tuple[Any, ...]:
        """Equal to that of another instant, or of another rota, where the same are on call for the same sites."""
        self._within(at)
        active = [
            tuple(shift for shift in shifts if shift.from_at <= at < shift.until_at)
            for shifts in (self._flat, self._table, self._file)
        ]
        return (*active, self._people)

    def absent(self, at: datetime) -> frozenset[int]:
        """The ids of who is away at that instant, on call or not."""
        self._within(at)
        return frozenset(a.person_id for a in self._away if a.from_at <= at < a.until_at)

    def next_change(self, at: datetime, site_ids: Iterable[int] | None = None) -> datetime | None:
        """The next instant at which other people are on call than at `at` (for any site, or for one of these); None
        where the time that was loaded ends first."""
        listed = None if site_ids is None else tuple(site_ids)
        now = self.on_call_among(at, listed)
        for then in self._edges((*self._table, *self._flat), at, self.end):
            if at < then < self.end and self.on_call_among(then, listed) != now:
                return then
        return None

    def shifts(self, start: datetime, end: datetime) -> list[Shift]:
        """The shifts that reach into the time from `start` to `end`, by their start; a shift of the file only where the
        table does not beat it."""
        return [shift for shift in self._flat if shift.from_at < end and shift.until_at > start]

    def gaps(self, start: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
        """The times within `start` to `end` in which a site for which a rota is kept is left to nobody."""
        found: list[tuple[datetime, datetime]] = []
        for gap in self.unwatched(start, end):
            if found and gap.from_at <= found[-1][1]:
                found[-1] = (found[-1][0], max(found[-1][1], gap.until_at))
            else:
                found.append((gap.from_at, gap.until_at))
        return found

    def unwatched(self, start: datetime, end: datetime) -> list[Gap]:
        """The gaps with the sites they are of, by their start. A time is a gap where nobody has a shift, and where
        everybody who has one is away or has no usable address."""
        start, end = max(start, self.start), min(end, self.end)
        if not self.kept or start >= end:
            return []
        groups: dict[frozenset[int], list[int]] = {}
        for site_id in sorted(self.sites):
            serving = frozenset(person_id for person_id in self._ever if self._people[person_id].serves(site_id))
            if serving:
                groups.setdefault(serving, []).append(site_id)
        if not groups and self.sites:
            groups[frozenset()] = sorted(self.sites)
        found = [gap for serving, theirs in groups.items() for gap in self._gaps_of(serving, theirs, start, end)]
        return sorted(found, key=lambda gap: (gap.from_at, gap.until_at, gap.site_ids))

    def _within(self, at: datetime) -> None:
        if not self.start <= at < self.end:
            raise ValueError(f"{at} is not in the time that the rota was loaded for, {self.start} to {self.end}")

    def _chosen(self, at: datetime, site_id: int) -> frozenset[int]:
        for shifts in (self._table, self._file):
            found = frozenset(
                shift.person_id
                for shift in shifts
                if shift.from_at <= at < shift.until_at and self._people[shift.person_id].serves(site_id)
            )
            if found:
                return found
        return frozenset()

    def _cut(self) -> list[Shift]:
        """The file's shifts without the times in which the table beats them at each of their sites."""
        found = []
        for shift in self._file:
            over = [row for row in self._table if row.from_at < shift.until_at and row.until_at > shift.from_at]
            since: datetime | None = None
            for first, then in pairwise(self._edges(over, shift.from_at, shift.until_at)):
                beaten = self._beaten(shift.person_id, [row for row in over if row.from_at <= first < row.until_at])
                if not beaten and since is None:
                    since = first
                if beaten and since is not None:
                    found.append(shift._replace(from_at=since, until_at=first))
                    since = None
                if then == shift.until_at and since is not None:
                    found.append(shift._replace(from_at=since))
        return found

    def _beaten(self, person_id: int, rows: list[Shift]) -> bool:
        if not rows:
            return False
        return self._theirs(person_id) <= frozenset().union(*(self._theirs(row.person_id) for row in rows))

    def _theirs(self, person_id: int) -> frozenset[int]:
        person = self._people[person_id]
        return self._all_sites if person.whole_fleet else person.site_ids

    @staticmethod
    def _edges(shifts: Iterable[Shift], start: datetime, end: datetime) -> list[datetime]:
        """`start`, `end` and every instant between them at which one of the shifts begins or ends."""
        inner = {at for shift in shifts for at in (shift.from_at, shift.until_at) if start < at < end}
        return sorted({start, end, *inner})

    def _gaps_of(self, serving: frozenset[int], site_ids: list[int], start: datetime, end: datetime) -> list[Gap]:
        shifts = [shift for shift in (*self._table, *self._file) if shift.person_id in serving]
        away = [absence for absence in self._away if absence.person_id in serving]
        spans = [*shifts, *(Shift(a.person_id, a.from_at, a.until_at, "") for a in away)]
        found: list[Gap] = []
        for first, then in pairwise(self._edges(spans, start, end)):
            why = self._nobody(self._chosen(first, site_ids[0]), first, away)
            if not why:
                continue
            if found and found[-1].until_at == first and found[-1].why == why:
                found[-1] = found[-1]._replace(until_at=then)
            else:
                found.append(Gap(first, then, tuple(site_ids), why))
        return found

    def _nobody(self, chosen: frozenset[int], at: datetime, away: list[Absence]) -> str:
        """Why nobody of them can be told; empty where somebody can."""
        gone = {absence.person_id for absence in away if absence.from_at <= at < absence.until_at}
        reasons = []
        for person_id in sorted(chosen, key=lambda person_id: self._people[person_id].code):
            person = self._people[person_id]
            if person_id in gone:
                reasons.append(f"{person.code} is away")
            elif not person.reached:
                reasons.append(f"{person.code} has no usable address")
            else:
                return ""
        return ", ".join(reasons) or "nobody has a shift"


def _useless(persons: dict[int, _Person], serving: set[int]) -> list[str]:
    """What keeps people who have a shift from being told of anything."""
    found = []
    for person_id in sorted(serving, key=lambda person_id: persons[person_id].code):
        person = persons[person_id]
        if not person.on_call:
            found.append(
                f"person {person.code} has shifts, but not the role on-call; add the role or pass on the shifts"
            )
        if not person.whole_fleet and not person.site_ids:
            found.append(f"person {person.code} has shifts, but no site; name their sites, or * for all")
        if not person.reached:
            found.append(f"person {person.code} has shifts, but no usable address; fill in the column email")
    return found


def _persons(conn: Connection, wanted: Iterable[int]) -> dict[int, _Person]:
    ids = sorted(wanted)
    places: dict[int, set[int]] = {}
    query = select(person_sites.c.person_id, person_sites.c.site_id).where(person_sites.c.person_id.in_(ids))
    for person_id, site_id in conn.execute(query):
        places.setdefault(person_id, set()).add(site_id)
    held = select(person_roles.c.person_id).where(person_roles.c.role == "on-call", person_roles.c.person_id.in_(ids))
    on_call = set(conn.execute(held).scalars())
    rows = conn.execute(
        select(people.c.id, people.c.person, people.c.email, people.c.whole_fleet).where(people.c.id.in_(ids))
    )
    return {
        row.id: _Person(
            row.person,
            addresses.read(row.email) is not None,
            row.whole_fleet,
            frozenset(places.get(row.id, ())),
            row.id in on_call,
        )
        for row in rows
    }
