"""Who gets which letter: readers of the weekly letter, and whom a matter at a site is told to. Sends nothing.

Whoever should get a letter and cannot is a finding, never passed over without a word.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Row, Select, func, or_, select, true

from .. import addresses
from ..cases.hours import Hours, Times
from ..register.leaving import has_left
from ..settings import Settings
from ..store.recalling import recall
from ..store.tables import people, person_roles, person_sites, sites
from .compose import Addressee

WEEKLY_ROLES = ("coordinator", "manager")
# The roles that are always looked up, whatever the ladders say.
LADDER = ("on-call", "coordinator", "manager")
# Kinds of letters that are about cases; all of them count against what a mailbox may get within an hour.
ABOUT_CASES = ("escalation", "opening", "closing")
_KEPT = 10_000


_reported: dict[str, date] = {}


def report(logger: logging.Logger, findings: Iterable[str], now: datetime) -> None:
    """Writes findings into the log, each once a UTC day: one that lasts would fill the log at every tick."""
    today = now.astimezone(UTC).date()
    for finding in findings:
        if _reported.get(finding) != today:
            if len(_reported) > _KEPT:
                _reported.clear()
            _reported[finding] = today
            logger.warning("somebody is not told", extra={"why": finding})


@dataclass(frozen=True, slots=True)
class Reader:
    """Somebody who gets letters. `zone` is where their days and hours are counted, by the holidays of `country` and
    `subdivision`; `reached` whether mail can go. `countries` are those of all sites: whoever is on call may be told of
    any. An address that a ladder names has the id 0 and no code."""

    id: int
    person: str
    name: str
    address: str
    zone: str
    whole_fleet: bool
    letters_off: bool
    roles: frozenset[str]
    country: str = ""
    subdivision: str = ""
    countries: frozenset[str] = frozenset()

    @property
    def called(self) -> str:
        """The name, or the code where none is recorded."""
        return self.name or self.person

    @property
    def reached(self) -> bool:
        """Whether the address is one that letters can go to."""
        return _is_address(self.address)

    @property
    def mailbox(self) -> str:
        """Two people with one mailbox are told once."""
        return _canonical(self.address)

    def addressee(self) -> Addressee:
        return Addressee(self.id or None, self.called if self.id else "", self.address, self.countries)

    def hours(self, settings: Settings) -> Hours:
        """The working and quiet hours where they are."""
        said = settings.cases
        times = Times(said.work_from, said.work_until, said.quiet_from, said.quiet_until, settings.letters.at)
        return Hours(times, self.zone, self.country, self.subdivision)

    def sites(self) -> ColumnElement[bool]:
        """The condition on `sites` that holds for this person's sites."""
        if self.whole_fleet:
            return true()
        return sites.c.id.in_(select(person_sites.c.site_id).where(person_sites.c.person_id == self.id))


@lru_cache(maxsize=4096)
def _canonical(address: str) -> str:
    box = addresses.read(address)
    return (box.address if box is not None else address.strip()).lower()


@lru_cache(maxsize=4096)
def _is_address(address: str) -> bool:
    return addresses.read(address) is not None


def unreached(reader: Reader) -> str:
    """The finding about somebody whom no letter can reach."""
    why = "the address cannot be used" if reader.address.strip() else "no e-mail address on record"
    return f"person {reader.person} ({', '.join(sorted(reader.roles))}) gets no letter: {why}"


def readers(
    conn: Connection,
    settings: Settings,
    roles: Iterable[str],
    codes: Iterable[str] = (),
    *,
    ids: Iterable[int] = (),
    at: datetime,
) -> list[Reader]:
    """Everybody with one of the roles, codes or ids who is with us at that instant, with all their roles, by code."""
    wanted = (frozenset(roles), frozenset(codes), frozenset(ids))
    asked = recall(conn, ("readers", *wanted), _OF_PEOPLE, lambda: _Asked(*_ask(conn, *wanted)))
    if asked.steady is not None:
        return asked.steady
    found, held, homes = asked.rows, asked.held, asked.homes
    here = (settings.fleet.time_zone, settings.fleet.country, "")
    listed = []
    for row in found:
        home = homes.get(row.id, ("", "", ""))
        zone = _first_known(row.time_zone, home[0], settings.fleet.time_zone)
        if has_left(row.left_on, zone, at):
            continue
        # Whose own zone is not that of their first site is somewhere else, and nothing says under which holidays.
        country, subdivision = next(((c, s) for z, c, s in (home, here) if z == zone), ("", ""))
        roles_held = held.get(row.id, frozenset())
        listed.append(
            Reader(
                row.id,
                row.person,
                row.name,
                row.email,
                zone,
                row.whole_fleet,
                row.letters_off,
                roles_held,
                country,
                subdivision,
                asked.countries,
            )
        )
    if all(row.left_on is None for row in found):
        asked.steady = listed
    return listed


@dataclass(slots=True)
class _Asked:
    """What was read of people. `steady` is what it comes to at any time, where nobody of them leaves."""

    rows: Sequence[Row[Any]]
    held: dict[int, frozenset[str]]
    homes: dict[int, tuple[str, str, str]]
    countries: frozenset[str]
    steady: list[Reader] | None = None


_COUNTRIES = select(sites.c.country).distinct()
_OF_PEOPLE = (people, person_roles, person_sites, sites)


def _ask(
    conn: Connection, roles: frozenset[str], codes: frozenset[str], ids: frozenset[int]
) -> tuple[Sequence[Row[Any]], dict[int, frozenset[str]], dict[int, tuple[str, str, str]], frozenset[str]]:
    """These people's rows by code; the roles they hold; zone, country and subdivision of their first site; and the
    countries of all sites."""
    everybody, theirs, first_sites = _queries(roles, codes, ids)
    found = conn.execute(everybody).all()
    held: dict[int, set[str]] = {}
    for person_id, role in conn.execute(theirs):
        held.setdefault(person_id, set()).add(role)
    homes = {row[0]: (row[1], row[2], row[3]) for row in conn.execute(first_sites)}
    countries = frozenset(conn.execute(_COUNTRIES).scalars())
    return found, {person_id: frozenset(roles_held) for person_id, roles_held in held.items()}, homes, countries


@lru_cache(maxsize=64)
def _queries(
    roles: frozenset[str], codes: frozenset[str], ids: frozenset[int]
) -> tuple[Select[Any], Select[Any], Select[Any]]:
    """What `_ask` asks. Kept: the same few are asked at every look; building a statement takes longer than asking."""
    has_role = select(person_roles.c.person_id).where(person_roles.c.role.in_(sorted(roles)))
    named = or_(people.c.id.in_(has_role), people.c.person.in_(sorted(codes)), people.c.id.in_(sorted(ids)))
    wanted = select(people.c.id).where(named)
    first = (
        select(person_sites.c.person_id, func.min(person_sites.c.site_id).label("site_id"))
        .where(person_sites.c.person_id.in_(wanted))
        .group_by(person_sites.c.person_id)
        .subquery()
    )
    return (
        select(people).where(named).order_by(people.c.person),
        select(person_roles.c.person_id, person_roles.c.role).where(person_roles.c.person_id.in_(wanted)),
        select(first.c.person_id, sites.c.time_zone, sites.c.country, sites.c.subdivision).join(
            sites, sites.c.id == first.c.site_id
        ),
    )


def _first_known(*zones: str) -> str:
    """The first that is a time zone; names do vanish from one release of the tz database to the next."""
    for zone in zones:
        try:
            if zone:
                ZoneInfo(zone)
                return zone
        except (KeyError, ValueError, OSError):
            continue
    return "UTC"
