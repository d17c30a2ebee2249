"""The open matters of the viewer's sites: units not to be relied on and open cases, with who has them now."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, case, func, or_, select

from ..rounds.causes import LONG_OVERDUE, NO_CONTACT, OVERDUE, URGENT, WEIGHT
from ..rounds.private import cases_for
from ..store.tables import cases, conditions, people, sites, units
from .people import Viewer, names

UTC = "UTC"  # where a matter of no one site is shown by the clock


@dataclass(frozen=True, slots=True)
class Matter:
    """A unit that is not to be relied on, and who has its case. `taken_by` is "" where nobody has."""

    unit: str
    spot: str
    site: str
    site_name: str
    zone: str
    since: date
    reasons: tuple[str, ...]
    case_id: int | None
    taken_by: str
    taken_until: datetime | None


@dataclass(frozen=True, slots=True)
class OpenCase:
    """An open matter. `taken_by` is the name of whoever has it now, "" where nobody has.

    `unit` may be "" (a group, spares), and `site` too (a matter of no one site; then `about` says whose it is).
    `members` is how many cases a group stands for, `paused` says why nobody is told for now, "" where they are.
    """

    id: int
    kind: str
    unit: str
    spot: str
    site: str
    site_name: str
    zone: str
    opened_on: date
    taken_by: str
    taken_until: datetime | None
    about: str
    members: int
    paused: str

    @property
    def whose(self) -> str:
        """What it is about where it is of no unit."""
        return what_of_site(self.kind)


def what_of_site(kind: str) -> str:
    """What of a site a case of that kind is about, where it is of no unit: its people, or what is kept there."""
    return "the site's people" if kind.replace(" ", "-") == NO_CONTACT else "what is kept at the site"


def who_has(row: Any, known: dict[str, str], now: datetime) -> tuple[str, datetime | None]:
    """The name of whoever has the case of that row now, and until when; nobody once that time is over."""
    if row.taken_by and row.taken_until is not None and row.taken_until > now:
        return known[row.taken_by], row.taken_until
    return "", None


def _is_taken(now: datetime) -> ColumnElement[int]:
    return case((cases.c.taken_until > now, 1), else_=0)


def seen_by(viewer: Viewer) -> ColumnElement[bool]:
    """The condition on cases and their sites: a matter of no one site is for those who see the whole fleet, one that
    tells of people's certificates for those who look after them."""
    sites_of = or_(viewer.sees(), cases.c.site_id.is_(None)) if viewer.whole_fleet else viewer.sees()
    return sites_of & cases_for(viewer.roles)


def unreliable(conn: Connection, viewer: Viewer, now: datetime, limit: int) -> list[Matter]:
    """The units not to be relied on: those that nobody has taken first, then the longest so."""
    other = cases.alias("other")
    one_each = (
        select(func.min(other.c.id))
        .where(other.c.unit_id == units.c.id, other.c.closed_at.is_(None), other.c.severity == URGENT)
        .scalar_subquery()
    )
    query = (
        select(
            units.c.unit,
            units.c.spot,
            sites.c.site,
            sites.c.name,
            sites.c.time_zone,
            conditions.c.since,
            conditions.c.reasons,
            func.coalesce(cases.c.group_id, cases.c.id).label("case_id"),
            cases.c.taken_by,
            cases.c.taken_until,
        )
        .select_from(
            conditions.join(units, units.c.id == conditions.c.unit_id)
            .join(sites, sites.c.id == units.c.site_id)
            .outerjoin(cases, cases.c.id == one_each)
        )
        .where(viewer.sees(), conditions.c.condition == "not to be relied on")
        .order_by(_is_taken(now), conditions.c.since, units.c.unit, cases.c.id)
        .limit(limit)
    )
    rows = conn.execute(query).all()
    known = names(conn, {row.taken_by for row in rows if row.taken_by})
    return [
        Matter(
            row.unit,
            row.spot,
            row.site,
            row.name or row.site,
            row.time_zone,
            row.since,
            tuple(json.loads(row.reasons)),
            row.case_id,
            *who_has(row, known, now),
        )
        for row in rows
    ]


def _joined() -> Any:
    member = cases.alias("member")
    members = select(func.count()).where(member.c.group_id == cases.c.id, member.c.closed_at.is_(None))
    return select(
        cases,
        units.c.unit,
        units.c.spot,
        sites.c.site,
        sites.c.name,
        sites.c.time_zone,
        people.c.person,
        people.c.name.label("person_name"),
        members.scalar_subquery().label("members"),
    ).select_from(
        cases.outerjoin(sites, sites.c.id == cases.c.site_id)
        .outerjoin(units, units.c.id == cases.c.unit_id)
        .outerjoin(people, people.c.id == cases.c.person_id)
    )


def _open_cases(viewer: Viewer) -> Any:
    return _joined().where(seen_by(viewer), cases.c.closed_at.is_(None))


def open_cases(conn: Connection, viewer: Viewer, now: datetime, skip: int, limit: int) -> list[OpenCase]:
    """A page of the open cases: those that nobody has first, of them the urgent ones, then the oldest.

    A group stands for its members; what rests comes last.
    """
    query = (
        _open_cases(viewer)
        .where(cases.c.group_id.is_(None))
        .order_by(
            cases.c.paused != "", _is_taken(now), case(WEIGHT, value=cases.c.severity), cases.c.opened_on, cases.c.id
        )
    )
    return _read(conn, query.offset(skip).limit(limit), now)


def case_counts(conn: Connection, viewer: Viewer, now: datetime) -> tuple[int, int]:
    """How many cases are open, a group counted as one, and how many of them somebody has now."""
    query = (
        select(func.count(), func.coalesce(func.sum(_is_taken(now)), 0))
        .select_from(cases.outerjoin(sites, sites.c.id == cases.c.site_id))
        .where(seen_by(viewer), cases.c.closed_at.is_(None), cases.c.group_id.is_(None))
    )
    total, taken = conn.execute(query).one()
    return int(total), int(taken)


def members_of(conn: Connection, group_id: int, now: datetime) -> list[OpenCase]:
    """The open cases that a group stands for, by unit."""
    query = _joined().where(cases.c.group_id == group_id, cases.c.closed_at.is_(None))
    return _read(conn, query.order_by(units.c.unit, cases.c.id), now)


def cases_by_unit(conn: Connection, viewer: Viewer, now: datetime, codes: list[str]) -> dict[str, OpenCase]:
    """The open case of each of these units that has one: of several, that of what is overdue."""
    about = case((cases.c.kind.in_((OVERDUE, LONG_OVERDUE)), 1), else_=0)
    query = _open_cases(viewer).where(units.c.unit.in_(codes)).order_by(about, cases.c.id)
    return {found.unit: found for found in _read(conn, query, now)}


def cases_of_unit(conn: Connection, unit_id: int, now: datetime) -> list[OpenCase]:
    """The open cases of a unit."""
    query = _joined().where(cases.c.unit_id == unit_id, cases.c.closed_at.is_(None))
    return _read(conn, query.order_by(cases.c.id), now)


def _read(conn: Connection, query: Any, now: datetime) -> list[OpenCase]:
    rows = conn.execute(query).all()
    known = names(conn, {row.taken_by for row in rows if row.taken_by})
    return [
        OpenCase(
            row.id,
            row.kind.replace("-", " "),
            row.unit or "",
            row.spot or "",
            row.site or "",
            row.name or row.site or "",
            row.time_zone or row.zone or UTC,
            row.opened_on,
            *who_has(row, known, now),
            row.person_name or row.person or row.zone,
            row.members,
            row.paused,
        )
        for row in rows
    ]
