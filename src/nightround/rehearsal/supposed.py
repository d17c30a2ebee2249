"""Reads what a rehearsal is to suppose: a TOML file of things that may happen in the coming days.

Everything that is wrong with it is said at once, each with its place and cure, and then nothing is rehearsed. Reads
the register to know units and people; writes nothing.

Times without an offset are those of the unit's site, of the person, or (mail) of the fleet. A bare day as `at` is its
noon; as `from` it is its beginning; as `until` its end, so that the day itself is still in it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from .. import addresses, files
from ..cases.taking import LONGEST
from ..errors import UserError
from ..reckoning.dates import local_day, local_instant
from ..register.days_off import wrong_absence
from ..register.leaving import gone_from, has_left, zones_of
from ..register.log import ENTRIES, NewEntry
from ..register.recording import check_details, check_words
from ..register.tomlfile import Table, meant
from ..settings import Settings
from ..store.tables import people, sites, units
from .events import Away, Closed, Event, Leaves, Logged, Taken
from .mistakes import EXAMPLE, hint, table_of_another_kind
from .post import Outage, Refusal

NOON = time(12)
_NOT_LOGGED = ("struck",)  # a correction names an entry; there is none yet


@dataclass(frozen=True, slots=True)
class Supposed:
    """What a file supposes: events in the order of their instants, and how mail fares meanwhile."""

    events: tuple[Event, ...] = ()
    outages: tuple[Outage, ...] = ()
    refusals: tuple[Refusal, ...] = ()


def read_supposed(conn: Connection, settings: Settings, path: Path, start: datetime, end: datetime) -> Supposed:
    """What the file supposes to happen from `start` to before `end`. Raises one UserError that tells all that is
    wrong: keys, units and people that are not known, and what lies outside these instants."""
    problems: list[str] = []
    top = _top(path, problems)
    supposed = Supposed() if top is None else _Reader(conn, settings, start, end).all(top)
    if problems:
        many = f"{len(problems)} things are wrong in {path}:\n" if len(problems) > 1 else ""
        raise UserError(many + "\n".join(problems))
    return supposed


def _top(path: Path, problems: list[str]) -> Table | None:
    """The whole file; None where it cannot be read, which is then among the problems with what was probably meant."""
    name = str(path)
    try:
        data = files.read_bytes(path)
    except FileNotFoundError:
        problems.append(f"{name}: cannot be read, because it is not there; name a file that is")
    except files.Unfit as unfit:
        problems.append(f"{name}: {unfit}")
    except OSError as error:
        problems.append(f"{name}: cannot be read ({error.strerror}); correct the file's rights")
    else:
        if other := table_of_another_kind(data):
            problems.append(f"{name}: {other}")
            return None
        try:
            top = Table(files.toml(text := data.decode("utf-8-sig")), name, problems)
        except files.Unfit as unfit:
            problems.append(f"{name}: {unfit}")
        except UnicodeDecodeError:
            problems.append(f"{name}: is not UTF-8 text; save it as UTF-8")
        except tomllib.TOMLDecodeError as error:
            problems.append(f"{name}: is not TOML; {hint(text, str(error))}")
        else:
            if not top.names():
                problems.append(f"{name}: supposes nothing; write what happens, such as {EXAMPLE}")
            return top
    return None


class _Reader:
    """Knows the register's units and people, and the days that are rehearsed."""

    def __init__(self, conn: Connection, settings: Settings, start: datetime, end: datetime) -> None:
        self._zone = settings.fleet.time_zone
        self._start, self._end = start, end
        self._sites = {row.site: row for row in conn.execute(select(sites.c.site, sites.c.time_zone))}
        in_units = select(units.c.unit, units.c.id, sites.c.time_zone).join(sites, sites.c.id == units.c.site_id)
        self._units = {row.unit: row for row in conn.execute(in_units)}
        persons = select(people.c.person, people.c.id, people.c.email, people.c.left_on)
        self._people = {row.person: row for row in conn.execute(persons)}
        self._zones = zones_of(conn, self._zone)
        self._begun: set[tuple[str, str, date]] = set()

    def all(self, top: Table) -> Supposed:
        events: list[Event] = []
        for entry in ENTRIES:
            if entry not in _NOT_LOGGED and top.holds(entry):
                events += self._each(top, entry, self._logged)
        events += self._each(top, "taken", self._taken)
        events += self._each(top, "away", self._away)
        events += self._each(top, "closed", self._closed)
        leaves: list[Leaves] = self._each(top, "leaves", self._leaves)
        self._in_turn(top, leaves)
        leaves.sort(key=lambda one: one.on)  # so that what was taken over is handed on
        events += leaves
        outages = self._each(top, "smtp_down", self._outage)
        refusals = self._each(top, "refused", self._refusal)
        for entry in ENTRIES:
            if entry not in _NOT_LOGGED:
                top.value(entry)  # so that a key with a typing error is told what may have been meant
        top.finish()
        return Supposed(tuple(sorted(events, key=lambda event: event.at)), tuple(outages), tuple(refusals))

    def _each(self, top: Table, key: str, make: Callable[[Table, str], Any]) -> list[Any]:
        found = []
        for table in top.tables(key):
            before = len(table.problems)
            made = make(table, key)
            table.finish()
            if len(table.problems) == before:
                found.append(made)
        return found

    def _logged(self, table: Table, entry: str) -> Logged | None:
        unit = self._unit(table)
        at = self._at(table, unit)
        by = self._person(table, "by", required=False)
        new = NewEntry(
            0 if unit is None else unit.id,
            at or self._start,
            entry,
            "" if by is None else by.person,
            _words(table, "readings"),
            _words(table, "part"),
            table.text("note", lines=True),
        )
        try:
            check_words(new.readings)
            check_details(new.part)
        except UserError as error:
            table.wrong(entry, str(error))
        return None if unit is None or at is None else Logged(at, table.where, unit.unit, new)

    def _taken(self, table: Table, _key: str) -> Taken | None:
        unit, by = self._unit(table), self._person(table, "by")
        at = self._at(table, unit)
        until = self._instant(table, "until", self._zone if unit is None else unit.time_zone, end_of_day=True)
        if unit is None or by is None or at is None or until is None:
            return None
        if not at < until <= at + LONGEST:
            table.wrong("until", f"is not within {LONGEST.days} days after `at`; choose another time")
        return Taken(at, table.where, unit.unit, unit.id, by.person, until)

    def _outage(self, table: Table, _key: str) -> Outage | None:
        span = self._span(table, self._zone)
        return None if span is None else Outage(*span)

    def _refusal(self, table: Table, _key: str) -> Refusal | None:
        person = self._person(table, "person")
        span = self._span(table, self._zone)
        if person is None or span is None:
            return None
        box = addresses.read(person.email)
        if box is None:
            table.wrong("person", f"{person.person} has no address that letters go to; take this out")
            return None
        return Refusal(box.address, *span)

    def _away(self, table: Table, _key: str) -> Away | None:
        """Known from the beginning on, as an absence is that was entered in time."""
        person, days = self._person(table, "person"), self._days(table)
        if person is not None and days is not None:
            self._once(table, ("person", person.person), days[0])
            if why := wrong_absence(*days):
                table.wrong("until", why)
        return None if person is None or days is None else Away(self._start, table.where, person.person, *days)

    def _closed(self, table: Table, _key: str) -> Closed | None:
        site, days = self._site(table), self._days(table)
        if site is not None and days is not None:
            self._once(table, ("site", site.site), days[0])
        return None if site is None or days is None else Closed(self._start, table.where, site.site, *days)

    def _once(self, table: Table, who: tuple[str, str], first: date) -> None:
        """That no two records of one person or site begin on the same day, as none in the register may."""
        if (*who, first) in self._begun:
            table.wrong("from", f"{who[1]} has a record from {first} on already above; make one of the two")
        self._begun.add((*who, first))

    def _leaves(self, table: Table, _key: str) -> Leaves | None:
        """Known from the beginning on, as a last day is that was entered in time."""
        person, other = self._person(table, "person"), self._person(table, "replaced_by", required=False)
        on = table.day("on", required=True)
        if person is None or on is None:
            return None
        today = local_day(self._start, self._zones[person.person])
        if has_left(person.left_on, self._zones[person.person], self._start):
            table.wrong("person", f"{person.person} has left already, on {person.left_on}; take this out")
        elif on >= date.max - timedelta(days=1) or gone_from(on, self._zones[person.person]) >= self._end:
            table.wrong("on", f"{on} shows nothing, because it is not over before the end; {self._sooner(person)}")
        elif on < today:
            table.wrong("on", f"{on} is past; give {today}, or a later day")
        if other is not None and other.person == person.person:
            table.wrong("replaced_by", f"{person.person} cannot take over from themselves; name somebody else")
        elif other is not None and other.left_on is not None and other.left_on <= on:
            table.wrong("replaced_by", f"the last day of {other.person} is {other.left_on}; name somebody who stays")
        return Leaves(self._start, table.where, person.person, on, "" if other is None else other.person)

    def _sooner(self, person: Any) -> str:
        """The cure for a last day that is over too late to be seen."""
        latest = local_day(self._end - timedelta(seconds=1), self._zones[person.person]) - timedelta(days=1)
        if latest < local_day(self._start, self._zones[person.person]):
            return "rehearse more --days"
        return f"give {latest} or an earlier day, or rehearse more --days"

    def _in_turn(self, top: Table, leaves: list[Leaves]) -> None:
        """That nobody leaves twice, or is to take over from somebody who stays longer."""
        last: dict[str, Leaves] = {}
        for one in leaves:
            if one.person in last:
                top.problems.append(f"{one.where}, key person: {one.person} leaves already above; take one of them out")
            last.setdefault(one.person, one)
        for one in leaves:
            other = last.get(one.replaced_by)
            if other is not None and other.on <= one.on:
                said = f"the last day of {other.person} is to be {other.on}; name somebody who stays"
                top.problems.append(f"{one.where}, key replaced_by: {said}")

    def _days(self, table: Table) -> tuple[date, date] | None:
        """The days `from` and `until`, of which some must lie in what is rehearsed."""
        first, last = table.day("from", required=True), table.day("until", required=True)
        if first is None or last is None:
            return None
        if last < first:
            table.wrong("until", "is before `from`; choose a later day")
        elif last < self._start.date() or first > self._end.date():
            table.wrong("until" if last < self._start.date() else "from", f"is not {self._window()}; choose other days")
        return first, last

    def _site(self, table: Table) -> Any:
        code = table.text("site", required=True)
        if code and code not in self._sites:
            close = meant(code, self._sites)
            table.wrong("site", f"{code!r} is not in the register{close}; write the site's code")
        return self._sites.get(code)

    def _unit(self, table: Table) -> Any:
        code = table.text("unit", required=True)
        if code and code not in self._units:
            close = meant(code, self._units)
            table.wrong("unit", f"{code!r} is not in the register{close}; write the unit's code")
        return self._units.get(code)

    def _person(self, table: Table, key: str, *, required: bool = True) -> Any:
        code = table.text(key, required=required)
        if code and code not in self._people:
            close = meant(code, self._people)
            table.wrong(key, f"{code!r} is not in the register{close}; write the person's code")
        return self._people.get(code)

    def _at(self, table: Table, unit: Any) -> datetime | None:
        at = self._instant(table, "at", self._zone if unit is None else unit.time_zone)
        if at is not None and not self._start <= at < self._end:
            table.wrong("at", f"{at.isoformat()} is not {self._window()}; choose another time, or other days")
            return None
        return at

    def _span(self, table: Table, zone: str) -> tuple[datetime, datetime] | None:
        """`from` and `until`, of which some must lie in the days that are rehearsed."""
        since = self._instant(table, "from", zone, at=time())
        until = self._instant(table, "until", zone, end_of_day=True)
        if since is None or until is None:
            return None
        if until <= since:
            table.wrong("until", "is not after `from`; choose a later time")
        elif until <= self._start or since >= self._end:
            table.wrong("until" if until <= self._start else "from", f"is not {self._window()}; choose other days")
        return since, until

    def _window(self) -> str:
        return f"within what is rehearsed ({_minute(self._start)} to {_minute(self._end)})"

    def _instant(
        self, table: Table, key: str, zone: str, *, at: time = NOON, end_of_day: bool = False
    ) -> datetime | None:
        """The instant of a key, in UTC; None where there is none to be had, which is among the problems then."""
        value = table.value(key)
        if value is None:
            table.wrong(key, "is missing; write a day such as 2026-12-03, or a time such as 2026-12-03T14:30:00")
            return None
        if isinstance(value, str):
            value = _day_or_time(value)
        if not isinstance(value, date):
            cure = "write a day such as 2026-12-03, or a time such as 2026-12-03T14:30:00"
            table.wrong(key, f"{table.value(key)!r} is not a time; {cure}")
            return None
        try:
            if not isinstance(value, datetime):
                day = value + timedelta(days=1) if end_of_day else value
                return local_instant(day, time() if end_of_day else at, zone)
            if value.tzinfo is not None:
                return value.astimezone(UTC)
            return local_instant(value.date(), value.time(), zone)
        except OverflowError:
            table.wrong(key, f"{value} is too far off; choose another time")
            return None


def _minute(at: datetime) -> str:
    return at.isoformat(timespec="minutes")


def _day_or_time(text: str) -> date | None:
    """What is written between quotes, where TOML itself would ask for the seconds; None where it is neither."""
    for read_as in (date.fromisoformat, datetime.fromisoformat):
        try:
            return read_as(text.strip())
        except ValueError:
            continue
    return None


def _words(table: Table, key: str) -> dict[str, str]:
    """A table of words, such as { self-test = "ok" }; whole numbers may stand without quotes, days too."""
    inner = table.table(key)
    if inner is None:
        return {}
    found = {}
    for name in inner.names():
        value = inner.value(name)
        if isinstance(value, bool) or not isinstance(value, str | int | date) or not str(value).strip():
            inner.wrong(name, 'write a word between "quotes"')
        else:
            found[name] = str(value).strip()
    return found
