"""Answers what is owed: the duties as the last round left them, or reckoned anew for another day without writing."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Select, case, or_, select

from ..errors import UserError
from ..reckoning.owed import OWED_WHEN_WITHDRAWN, Condition, Duty, Standing
from ..register.leaving import with_us
from ..settings import Settings
from ..store.tables import conditions, duties, people, person_roles, person_sites, sites, units
from .differences import because_text
from .loading import unit_ids, zones
from .reckoners import Reckoners
from .rulebook import RuleBook
from .staff import found_on

WORST_FIRST = (Standing.OVERDUE, Standing.ORDER_NOW, Standing.OPEN, Standing.NOT_RECORDED, Standing.AHEAD)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which duties are asked for; None asks for all."""

    unit: str | None = None
    site: str | None = None
    until: date | None = None
    standing: str | None = None
    in_use: bool = False  # leaves out what withdrawn units owe
    today: date | None = None  # whoever left before that day is responsible for nothing

    def check(self, conn: Connection) -> None:
        """Raises UserError where a unit, site or standing is not known."""
        if self.unit is not None and conn.execute(select(units.c.id).where(units.c.unit == self.unit)).first() is None:
            raise UserError(f"unit {self.unit!r} is not in the register; see: nightround duties --json")
        if self.site is not None and conn.execute(select(sites.c.id).where(sites.c.site == self.site)).first() is None:
            raise UserError(f"site {self.site!r} is not in the register")
        if self.standing is not None and self.standing not in list(Standing):
            raise UserError(f"standing {self.standing!r} is not known; use one of: {', '.join(Standing)}")

    def holds(self, standing: str, good: date | None) -> bool:
        """Whether a duty with that standing and last good day is asked for; `until` leaves out what has no date."""
        if self.standing is not None and standing != self.standing:
            return False
        return self.until is None or (good is not None and good <= self.until)


def stored_duties(conn: Connection, wanted: Wanted, limit: int | None = None) -> list[dict[str, Any]]:
    """The duties as the last round left them, worst first."""
    wanted.check(conn)
    query: Select[Any] = (
        select(
            duties.c.holder,
            units.c.unit,
            sites.c.site,
            sites.c.time_zone,
            duties.c.site_id,
            duties.c.kind,
            duties.c.subject,
            duties.c.standing,
            duties.c.opens,
            duties.c.order_by,
            duties.c.last_good_day,
            duties.c.deadline,
            duties.c.role,
            duties.c.because,
        )
        .join(sites, sites.c.id == duties.c.site_id)
        .outerjoin(units, units.c.id == duties.c.unit_id)
    )
    if wanted.in_use:
        query = query.where(in_use())
    if wanted.unit is not None:
        query = query.where(units.c.unit == wanted.unit)
    if wanted.site is not None:
        query = query.where(sites.c.site == wanted.site)
    if wanted.standing is not None:
        query = query.where(duties.c.standing == wanted.standing)
    if wanted.until is not None:
        query = query.where(duties.c.last_good_day <= wanted.until)
    worst = case({str(standing): rank for rank, standing in enumerate(WORST_FIRST)}, value=duties.c.standing)
    query = query.order_by(
        worst, duties.c.last_good_day.nulls_last(), units.c.unit.nulls_last(), sites.c.site, duties.c.key
    )
    if limit is not None:
        query = query.limit(limit)
    rows = conn.execute(query).all()
    who = Responsible(conn, {row.site_id for row in rows}, wanted.today)
    persons = _persons(conn, [row.holder for row in rows])
    return [
        _shown(
            row.unit,
            persons.get(row.holder),
            row.site,
            row.kind,
            row.subject,
            row.standing,
            row.opens,
            row.order_by,
            row.last_good_day,
            row.deadline,
            row.time_zone,
            who.of(row.site_id, row.role),
            json.loads(row.because),
        )
        for row in rows
    ]


def duties_on(
    conn: Connection,
    book: RuleBook,
    on: date,
    wanted: Wanted,
    settings: Settings,
    findings: list[dict[str, str]] | None = None,
) -> list[dict[str, Any]]:
    """The duties as a round on that day would find them with today's facts; writes nothing.

    Whatever could not be reckoned is added to `findings`.
    """
    wanted.check(conn)
    aside: list[dict[str, str]] = [] if findings is None else findings
    reckoners = Reckoners(book, conn)
    codes = dict(conn.execute(select(sites.c.id, sites.c.site)).all())
    found: list[tuple[str | None, str | None, int, str, Duty]] = []
    for ids in _everything(conn, wanted):
        for loaded, reckoned in reckoners.reckon(conn, ids, on, aside):
            for duty in reckoned.duties if reckoned is not None else ():
                found.append((loaded.facts.unit, None, loaded.site_id, loaded.place.time_zone, duty))
    if wanted.unit is None:
        zone_of = dict(conn.execute(select(sites.c.id, sites.c.time_zone)).all())
        for person, site_id, duty in found_on(conn, book, settings, on, reckoners, aside):
            if wanted.site is None or codes[site_id] == wanted.site:
                found.append((None, person.person if person else None, site_id, zone_of[site_id], duty))
    found = [item for item in found if wanted.holds(item[4].standing, item[4].last_good_day)]
    found.sort(key=_worst)
    who = Responsible(conn, {item[2] for item in found}, on)
    return [
        _shown(
            unit,
            person,
            codes[site_id],
            duty.kind,
            duty.subject,
            duty.standing,
            duty.opens,
            duty.order_by,
            duty.last_good_day,
            duty.deadline,
            zone,
            who.of(site_id, duty.role),
            json.loads(because_text(duty.because)),
        )
        for unit, person, site_id, zone, duty in found
    ]


def _worst(item: tuple[str | None, str | None, int, str, Duty]) -> tuple[Any, ...]:
    """As `stored_duties` orders: what is of no unit comes after the units of that day."""
    unit, _, site_id, _, duty = item
    good = duty.last_good_day or date.max
    return WORST_FIRST.index(duty.standing), good, unit is None, unit or "", site_id, duty.key


def _persons(conn: Connection, holders: Sequence[str]) -> dict[str, str]:
    """The codes of the people among the holders of duties."""
    ids = sorted({int(holder[1:]) for holder in holders if holder.startswith("p")})
    found: dict[str, str] = {}
    for start in range(0, len(ids), 500):
        query = select(people.c.id, people.c.person).where(people.c.id.in_(ids[start : start + 500]))
        found |= {f"p{person_id}": code for person_id, code in conn.execute(query)}
    return found


def in_use() -> ColumnElement[bool]:
    """Holds for duties of sites and of units that are not withdrawn, and for what a withdrawn one still owes."""
    withdrawn = select(conditions.c.unit_id).where(conditions.c.condition == str(Condition.WITHDRAWN))
    others = duties.c.kind.in_(OWED_WHEN_WITHDRAWN)  # owed because the unit is out of service, or was taken away
    return or_(duties.c.unit_id.is_(None), duties.c.unit_id.not_in(withdrawn), others)


class Responsible:
    """Who does what at which site: the people with the role there, or a sentence that says there is nobody.

    With a day, whoever left before it counts for nothing.
    """

    def __init__(self, conn: Connection, site_ids: set[int], day: date | None = None) -> None:
        self._by: dict[tuple[int, str], list[str]] = {}
        self._anywhere: dict[str, list[str]] = {}
        query = (
            select(people.c.person, people.c.whole_fleet, person_roles.c.role, person_sites.c.site_id)
            .join(person_roles, person_roles.c.person_id == people.c.id)
            .outerjoin(person_sites, person_sites.c.person_id == people.c.id)
            .order_by(people.c.person)
        )
        if day is not None:
            query = query.where(with_us(day))
        for person, whole_fleet, role, site_id in conn.execute(query).all():
            if whole_fleet:
                names = self._anywhere.setdefault(role, [])
                if person not in names:
                    names.append(person)
            elif site_id in site_ids:
                self._by.setdefault((site_id, role), []).append(person)

    def of(self, site_id: int, role: str) -> str:
        """Person codes, comma-separated: those of the site, else those of the whole fleet, else the coordinators."""
        for wanted in (role, "coordinator"):
            names = self._by.get((site_id, wanted)) or self._anywhere.get(wanted)
            if names:
                return ", ".join(names)
        return f"no {role} recorded"


def _everything(conn: Connection, wanted: Wanted) -> Iterator[list[int]]:
    """The units that are asked for, by number, some at a time."""
    if wanted.unit is not None or wanted.site is not None:
        query = select(units.c.id).join(sites, sites.c.id == units.c.site_id).order_by(units.c.id)
        if wanted.unit is not None:
            query = query.where(units.c.unit == wanted.unit)
        if wanted.site is not None:
            query = query.where(sites.c.site == wanted.site)
        yield list(conn.execute(query).scalars())
        return
    for zone in zones(conn):
        after = 0
        while ids := unit_ids(conn, zone, after, 1000):
            yield ids
            after = ids[-1]


def _shown(
    unit: str | None,
    person: str | None,
    site: str,
    kind: str,
    subject: str,
    standing: str,
    opens: date | None,
    order_by: date | None,
    good: date | None,
    deadline: datetime | None,
    zone: str,
    responsible: str,
    because: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    return {
        "unit": unit,
        "person": person,
        "site": site,
        "kind": kind,
        "subject": subject,
        "standing": str(standing),
        "opens": opens,
        "order_by": order_by,
        "last_good_day": good,
        "deadline": deadline,
        "deadline_local": None if deadline is None else deadline.astimezone(ZoneInfo(zone)),
        "responsible": responsible,
        "because": list(because),
    }
