"""Who gets which letter: readers of the weekly letter, and whom a matter at a site is told to. Sends nothing.

Whoever should get a letter and cannot is a finding, never passed over without a word.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Select, func, select, true

from .. import addresses
from ..register.leaving import has_left
from ..settings import Settings
from ..store.tables import messages, people, person_roles, person_sites, rota, sites
from .compose import Addressee

WEEKLY_ROLES = ("coordinator", "manager")
# In whose hands a matter is, first to last; the next is asked where nobody of the one before can be reached.
LADDER = ("on-call", "coordinator", "manager")
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
    """Somebody who gets letters. `zone` is where their days and hours are counted; `reached` whether mail can go."""

    id: int
    person: str
    name: str
    address: str
    zone: str
    whole_fleet: bool
    letters_off: bool
    roles: frozenset[str]

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
        return self.address.strip().lower()

    def addressee(self) -> Addressee:
        return Addressee(self.id, self.called, self.address)

    def sites(self) -> ColumnElement[bool]:
        """The condition on `sites` that holds for this person's sites."""
        if self.whole_fleet:
            return true()
        return sites.c.id.in_(select(person_sites.c.site_id).where(person_sites.c.person_id == self.id))


@lru_cache(maxsize=4096)
def _is_address(address: str) -> bool:
    return addresses.read(address) is not None


def unreached(reader: Reader) -> str:
    """The finding about somebody whom no letter can reach."""
    why = "the address cannot be used" if reader.address.strip() else "no e-mail address on record"
    return f"person {reader.person} ({', '.join(sorted(reader.roles))}) gets no letter: {why}"


def readers(conn: Connection, settings: Settings, roles: Iterable[str], at: datetime) -> list[Reader]:
    """Everybody with one of the roles who is with us at that instant, with all the roles they hold, by code."""
    wanted = select(person_roles.c.person_id).where(person_roles.c.role.in_(list(roles)))
    found = conn.execute(select(people).where(people.c.id.in_(wanted)).order_by(people.c.person)).all()
    held: dict[int, set[str]] = {}
    theirs = select(person_roles.c.person_id, person_roles.c.role).where(person_roles.c.person_id.in_(wanted))
    for person_id, role in conn.execute(theirs):
        held.setdefault(person_id, set()).add(role)
    homes = _first_zones(conn, wanted)
    everybody = [
        Reader(
            row.id,
            row.person,
            row.name,
            row.email,
            _first_known(row.time_zone, homes.get(row.id, ""), settings.fleet.time_zone),
            row.whole_fleet,
            row.letters_off,
            frozenset(held[row.id]),
        )
        for row in found
    ]
    last = {row.id: row.left_on for row in found}
    return [reader for reader in everybody if not has_left(last[reader.id], reader.zone, at)]


def _first_zones(conn: Connection, wanted: Select[Any]) -> dict[int, str]:
    """The zone of each wanted person's first site."""
    first = (
        select(person_sites.c.person_id, func.min(person_sites.c.site_id).label("site_id"))
        .where(person_sites.c.person_id.in_(wanted))
        .group_by(person_sites.c.person_id)
        .subquery()
    )
    query = select(first.c.person_id, sites.c.time_zone).join(sites, sites.c.id == first.c.site_id)
    return {row.person_id: row.time_zone for row in conn.execute(query)}


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


class Told(NamedTuple):
    """Who is told of what happens at a site: `why` is the role it falls to, `gap` says who should have been."""

    people: tuple[Reader, ...]
    why: str
    gap: str


class Watch:
    """Who has the watch over which site at one moment. Made once for a sweep, for the sites that matter in it."""

    def __init__(self, conn: Connection, settings: Settings, at: datetime, site_ids: set[int]) -> None:
        self.people = readers(conn, settings, LADDER, at)
        self._on_rota = set(
            conn.execute(select(rota.c.person_id).where(rota.c.from_at <= at, rota.c.until_at > at)).scalars()
        )
        self._failed = _given_up(conn, [reader for reader in self.people if reader.reached])
        self._everywhere = {reader.id for reader in self.people if reader.whole_fleet}
        by_id = {reader.id: reader for reader in self.people}
        self._at: dict[int, list[Reader]] = {site_id: [] for site_id in site_ids}
        for person_id, site_id in conn.execute(select(person_sites.c.person_id, person_sites.c.site_id)):
            if site_id in self._at and person_id in by_id and person_id not in self._everywhere:
                self._at[site_id].append(by_id[person_id])
        self._known: dict[tuple[int, ...], Told] = {}

    def holders(self, site_id: int, role: str) -> list[Reader]:
        """Everybody with that role for the site, reached or not."""
        whole = [reader for reader in self.people if reader.whole_fleet]
        return sorted(
            (reader for reader in (*whole, *self._at[site_id]) if role in reader.roles), key=lambda r: r.person
        )

    def of(self, site_id: int) -> Told:
        """Whom a matter at the site is told to, and why them."""
        key = tuple(sorted(reader.id for reader in self._at[site_id]))
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._of(site_id)
        return known

    def _of(self, site_id: int) -> Told:
        told: list[Reader] = []
        gaps: list[str] = []
        for role in LADDER:
            holders = self.holders(site_id, role)
            if role == "on-call":
                # A rota that covers this moment says who; in its gaps, everybody on call.
                holders = [reader for reader in holders if reader.id in self._on_rota] or holders
            reached = [reader for reader in holders if reader.reached]
            told += [reader for reader in reached if reader not in told]
            if any(reader.id not in self._failed for reader in reached):
                return Told(tuple(told), role, "; ".join(gaps))
            if not holders:
                gaps.append(f"nobody is {_SPOKEN[role]}")
            elif not reached:
                gaps.append(f"nobody who is {_SPOKEN[role]} has a usable address")
            else:
                gaps.append(f"no letter gets through to who is {_SPOKEN[role]}")
        return Told(tuple(told), LADDER[-1], "; ".join(gaps))


_SPOKEN = {"on-call": "on call", "coordinator": "coordinator", "manager": "manager"}


def _given_up(conn: Connection, listed: list[Reader]) -> set[int]:
    """Those whose last escalation or opening letter was given up, at the address they still have."""
    urgent = messages.c.kind.in_(("escalation", "opening"))
    # Letters given up are few, and the index finds them; only about those people anything more is asked.
    failed = select(messages.c.person_id).where(messages.c.state == "given up", urgent).distinct()
    suspects = set(conn.execute(failed).scalars())
    found = set()
    for reader in (reader for reader in listed if reader.id in suspects):
        last = conn.execute(
            select(messages.c.state, messages.c.to_address)
            .where(messages.c.person_id == reader.id, urgent)
            .order_by(messages.c.id.desc())
            .limit(1)
        ).one()
        box = addresses.read(reader.address)
        if box is not None and last.state == "given up" and last.to_address == box.address:
            found.add(reader.id)
    return found
