"""Reads the duties of a feed: first as little as shows whether their kept bytes still hold, then all of the others.

Never writes. The order is made here and not in SQL, because databases sort text by rules of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, and_, case, func, select

from ..reckoning.owed import Condition
from ..store.tables import conditions, duties, events, sites, units
from .scope import Scope

# Which duties a feed holds: those with a last good day as events, every one as a task.
EVENTS, TASKS = "events", "tasks"

_AT_ONCE = 500


class Kept(NamedTuple):
    """A duty as far as it is needed to place it in the feed. `body` holds its bytes if `kept_stamp` is `stamp`."""

    id: int
    changed_at: datetime
    stamp: str
    kept_stamp: str | None
    body: bytes | None


class Due(NamedTuple):
    """A duty with all that its event says. `unit` and `spot` are "" where a site's own spare part owes it.

    `last_good_day` is the final civil day at the site on which the duty is met; `opens` and `order_by` are civil
    days there; `deadline` and `changed_at` are instants in UTC. `because` is the stored JSON.
    """

    id: int
    key: str
    kind: str
    subject: str
    standing: str
    opens: date | None
    order_by: date | None
    last_good_day: date | None
    deadline: datetime | None
    role: str
    because: str
    uid: str
    sequence: int
    changed_at: datetime
    unit: str
    spot: str
    floor: str
    latitude: float | None
    longitude: float | None
    site: str
    site_name: str
    address: str
    zone: str


class Found(NamedTuple):
    """The duties of a feed in its order, and how many are not in it."""

    rows: list[Kept]
    not_recorded: int  # no date can be reckoned; not in the events, in the tasks without a date
    withdrawn: int  # of withdrawn units; in neither


def find(conn: Connection, scope: Scope, kind: str, made_with: str) -> Found:
    """The duties of the scope by last good day, unit and key. Those of withdrawn units are counted and left out."""
    of_kind = and_(events.c.duty_id == duties.c.id, events.c.kind == kind)
    query: Select[Any] = (
        select(
            duties.c.id,
            duties.c.changed_at,
            duties.c.last_good_day,
            duties.c.key,
            duties.c.revision,
            units.c.unit,
            units.c.revision,
            sites.c.id,
            sites.c.revision,
            sites.c.site,
            conditions.c.condition,
            events.c.stamp,
            events.c.body,
        )
        .join(sites, sites.c.id == duties.c.site_id)
        .outerjoin(units, units.c.id == duties.c.unit_id)
        .outerjoin(conditions, conditions.c.unit_id == duties.c.unit_id)
        .outerjoin(events, of_kind)
        .where(scope.duties())
    )
    placed: list[tuple[tuple[Any, ...], Kept]] = []
    not_recorded = withdrawn = 0
    for row in conn.execute(query):
        duty, changed, good, key, revision, unit, unit_revision, site_id, site_revision, site, condition, kept, body = (
            row
        )
        if condition == Condition.WITHDRAWN:
            withdrawn += 1
            continue
        if good is None:
            not_recorded += 1
            if kind == EVENTS:
                continue
        stamp = f"{revision}.{unit_revision or 0}.{site_id}.{site_revision}.{made_with[:16]}"
        order = (good or date.max, good is None, unit or "", site, key, duty)
        placed.append((order, Kept(duty, changed, stamp, kept, body)))
    placed.sort(key=lambda item: item[0])
    return Found([row for _, row in placed], not_recorded, withdrawn)


def whole(conn: Connection, ids: Sequence[int]) -> dict[int, Due]:
    """These duties with all that their events say."""
    found: dict[int, Due] = {}
    for start in range(0, len(ids), _AT_ONCE):
        for row in conn.execute(_whole().where(duties.c.id.in_(ids[start : start + _AT_ONCE]))):
            due = Due(*row)
            found[due.id] = due
    return found


def _whole() -> Select[Any]:
    unit_place = units.c.latitude.is_not(None) & units.c.longitude.is_not(None)
    return (
        select(
            duties.c.id,
            duties.c.key,
            duties.c.kind,
            duties.c.subject,
            duties.c.standing,
            duties.c.opens,
            duties.c.order_by,
            duties.c.last_good_day,
            duties.c.deadline,
            duties.c.role,
            duties.c.because,
            duties.c.uid,
            duties.c.sequence,
            duties.c.changed_at,
            _or_empty(units.c.unit),
            _or_empty(units.c.spot),
            _or_empty(units.c.floor),
            case((unit_place, units.c.latitude), else_=sites.c.latitude),
            case((unit_place, units.c.longitude), else_=sites.c.longitude),
            sites.c.site,
            sites.c.name,
            sites.c.address,
            sites.c.time_zone,
        )
        .join(sites, sites.c.id == duties.c.site_id)
        .outerjoin(units, units.c.id == duties.c.unit_id)
    )


def _or_empty(column: Any) -> Any:
    return func.coalesce(column, "")
