"""People who leave: `left_on` is their last day with us. From the day after they count for nothing and get nothing.

The day is a civil day where the person is: in their own time zone, else that of their first site. Nothing that they did
or held is taken out of the register: what they wrote into the log stays evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Date, bindparam, delete, func, insert, or_, select, update

from ..errors import UserError
from ..reckoning.dates import add_months, local_day, local_instant
from ..reckoning.rules import Rule, Span, Subject
from ..store import marks
from ..store.tables import people, person_roles, person_sites, sites
from .evidence import refresh
from .vocabulary import ROLES
from .witnesses import FIRST_ZONE, logged_by

# What somebody else can take over; that a person was trained, nobody can.
HANDED_ON = tuple(role for role in ROLES if role != "responder")


class Left(NamedTuple):
    """What was recorded. `before` is the last day that was on record until then; `taken_over` names what went over;
    `units` are those, by number, of which they told something: what of it is evidence may be different now."""

    person: str
    left_on: date | None
    before: date | None
    replaced_by: str
    taken_over: tuple[str, ...]
    units: frozenset[int]


def has_left(left_on: date | None, zone: str, now: datetime) -> bool:
    """Whether somebody whose last day is `left_on` (None: none) is with us no more; the day is one in that zone."""
    return left_on is not None and local_day(now, _known(zone)) > left_on


def gone_from(left_on: date, zone: str) -> datetime:
    """The first instant, in UTC, at which somebody with that last day is with us no more."""
    return local_instant(left_on + timedelta(days=1), time(), _known(zone))


def goings(conn: Connection, fleet_zone: str, now: datetime) -> list[datetime]:
    """The instants after `now` at which somebody leaves, by the day where they are, the first of them first."""
    rows = conn.execute(_WITH_LAST_DAY, {"from_on": now.date() - timedelta(days=2)})
    found = [gone_from(left_on, zone or first or fleet_zone) for left_on, zone, first in rows]
    return sorted(at for at in found if at > now)


def zones_of(conn: Connection, fleet_zone: str) -> dict[str, str]:
    """By code of everybody, the zone in which their days are counted: their own, their first site's, the fleet's."""
    query = select(people.c.person, people.c.time_zone, FIRST_ZONE)
    return {code: _known(zone or first or fleet_zone) for code, zone, first in conn.execute(query)}


# Built once: a rehearsal asks it at every look ahead.
_WITH_LAST_DAY = select(people.c.left_on, people.c.time_zone, FIRST_ZONE).where(
    people.c.left_on >= bindparam("from_on", type_=Date)
)


def with_us(day: date) -> ColumnElement[bool]:
    """The condition on `people` that holds for those who are with us on the day: their last day is still a day."""
    return or_(people.c.left_on.is_(None), people.c.left_on >= day)


def gone(conn: Connection, person_id: int, fleet_zone: str, now: datetime) -> bool:
    """Whether that person has left, by the day where they are."""
    row = conn.execute(select(people.c.left_on, people.c.time_zone).where(people.c.id == person_id)).first()
    if row is None or row.left_on is None:
        return False
    return has_left(row.left_on, row.time_zone or _first_zone(conn, person_id) or fleet_zone, now)


def leave(conn: Connection, person: str, on: date | None, replaced_by: str = "", *, now: datetime) -> Left:
    """Records somebody's last day with us; None: takes it back. `replaced_by` takes over their roles and sites at once.

    Raises UserError for a person who is not known, or one who would replace themselves or has a last day too.
    """
    row = _person(conn, person)
    taken: tuple[str, ...] = ()
    if replaced_by:
        other = _person(conn, replaced_by)
        if other.id == row.id:
            raise UserError(f"--replaced-by: {person} cannot take over from themselves; name somebody else")
        if other.left_on is not None and (on is None or other.left_on <= on):
            raise UserError(f"--replaced-by: the last day of {replaced_by} is {other.left_on}; name somebody who stays")
        taken = _hand_over(conn, row, other)
    conn.execute(update(people).where(people.c.id == row.id).values(left_on=on))
    told = logged_by(conn, [person]) if row.left_on != on else set()
    refresh(conn, told)
    marks.leave(conn, now, units=told, everybody=True)
    return Left(person, on, row.left_on, replaced_by, taken, frozenset(told))


def _hand_over(conn: Connection, old: Any, new: Any) -> tuple[str, ...]:
    theirs = select(person_roles.c.role).where(person_roles.c.person_id == old.id)
    mine = set(conn.execute(select(person_roles.c.role).where(person_roles.c.person_id == new.id)).scalars())
    roles = [role for role in HANDED_ON if role in set(conn.execute(theirs).scalars())]
    if not roles:
        return ()
    taken = [role for role in roles if role not in mine]
    if taken:
        conn.execute(insert(person_roles), [{"person_id": new.id, "role": role} for role in taken])
    if old.whole_fleet and not new.whole_fleet:
        conn.execute(update(people).where(people.c.id == new.id).values(whole_fleet=True))
        conn.execute(delete(person_sites).where(person_sites.c.person_id == new.id))
        return (*taken, "every site")
    if new.whole_fleet:
        return tuple(taken)
    places = select(sites.c.id, sites.c.site).join(person_sites, person_sites.c.site_id == sites.c.id)
    held = set(conn.execute(select(person_sites.c.site_id).where(person_sites.c.person_id == new.id)).scalars())
    fresh = [
        (site_id, site)
        for site_id, site in conn.execute(places.where(person_sites.c.person_id == old.id).order_by(sites.c.site))
        if site_id not in held
    ]
    if fresh:
        conn.execute(insert(person_sites), [{"person_id": new.id, "site_id": site_id} for site_id, _ in fresh])
    return (*taken, *(site for _, site in fresh))


def training_kept_until(rules: Sequence[Rule], left_on: date | None) -> date | None:
    """The last day on which somebody's training records have to be kept, by rules that count from the end of the role.

    None where no such rule binds, or where the person has not left. The end of the role is the last day with us.
    Nothing here discards them after it.
    """
    months = [
        rule.shape.n for rule in rules if rule.subject is Subject.RECORDS and rule.shape.span is Span.KEPT_AFTER_ROLE
    ]
    return None if left_on is None or not months else add_months(left_on, max(months))


def _person(conn: Connection, code: str) -> Any:
    row = conn.execute(select(people).where(people.c.person == code)).first()
    if row is None:
        raise UserError(f"person {code!r} is not in the register; see: nightround person list")
    return row


def _first_zone(conn: Connection, person_id: int) -> str:
    first = select(func.min(person_sites.c.site_id)).where(person_sites.c.person_id == person_id).scalar_subquery()
    return conn.execute(select(sites.c.time_zone).where(sites.c.id == first)).scalar_one_or_none() or ""


def _known(zone: str) -> str:
    """The zone, or UTC where the tz database has it no more."""
    try:
        return ZoneInfo(zone).key if zone else "UTC"
    except (KeyError, ValueError, OSError):
        return "UTC"
