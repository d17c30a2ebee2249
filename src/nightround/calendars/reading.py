"""Reads the duties of a feed: first as little as shows whether their kept bytes still hold, then all of the others.

Never writes. The order is made here and not in SQL, because databases sort text by rules of their own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from hashlib import blake2b
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, case, func, not_, select

from ..reckoning.owed import OWED_WHEN_WITHDRAWN, Condition
from ..store.tables import conditions, duties, events, sites, units
from .scope import Scope

# Which duties a feed holds: those with a last good day as events, every one as a task.
EVENTS, TASKS = "events", "tasks"

_AT_ONCE = 500
_WITHDRAWN = Condition.WITHDRAWN.value
_NO_UNIT = ("", None, "")  # a spare kept at a site


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


# What an event says of its unit and its site.
_OF_UNIT = (units.c.unit, units.c.spot, units.c.floor, units.c.latitude, units.c.longitude)
_OF_SITE = (sites.c.site, sites.c.name, sites.c.address, sites.c.latitude, sites.c.longitude, sites.c.time_zone)

# A duty in its place: last good day as an ordinal, unit, key, site, number and stamp; for tasks without a date the
# ordinal after all days. A plain tuple of plain values, because there are many to be put in order.
Placed = tuple[int, str, str, str, int, str]


class Found(NamedTuple):
    """The duties of a feed in its order, what is kept of them, and how many are not in it.

    `kept` has by the number of a duty that number, the stamp of what its bytes were made from, and the bytes.
    """

    rows: list[Placed]
    kept: Mapping[int, Sequence[Any]]
    not_recorded: int  # no date can be reckoned; not in the events, in the tasks without a date
    withdrawn: int  # of withdrawn units; in neither
    private: int  # about people, and not this reader's to see; in neither

    def stale(self) -> list[int]:
        """The numbers of the duties whose kept bytes do not hold, or that have none."""
        kept = self.kept
        return [row[4] for row in self.rows if row[4] not in kept or kept[row[4]][1] != row[5]]


def find(conn: Connection, scope: Scope, kind: str, made_with: str) -> Found:
    """The duties of the scope by last good day, unit and key. Those of withdrawn units are counted and left out,
    but those that such a unit owes still; so are those that tell of people, where they are not the reader's to see.

    Five plain questions instead of one with four joins: faster where nothing has to be made anew.
    """
    places = {number: (site, _mark(site, *said)) for number, site, *said in conn.execute(_places(scope))}
    at = {number: (unit, state, _mark(unit, *said)) for number, state, unit, *said in conn.execute(_units(scope))}
    kept = {row[0]: row for row in conn.execute(_kept(scope, kind)).all()}
    placed: list[Placed] = []
    not_recorded = withdrawn = 0
    wanted, never = made_with[:16], date.max.toordinal() + 1
    for duty, good, key, revision, unit_id, site_id in conn.execute(_duties(scope)).all():
        unit, condition, unit_mark = at[unit_id] if unit_id is not None else _NO_UNIT
        if condition == _WITHDRAWN and key.partition("/")[0] not in OWED_WHEN_WITHDRAWN:
            withdrawn += 1
            continue
        if good is None:
            not_recorded += 1
            if kind == EVENTS:
                continue
            order = never
        else:
            order = good.toordinal()
        site, site_mark = places[site_id]
        placed.append((order, unit, key, site, duty, f"{revision}.{unit_mark}.{site_mark}.{wanted}"))
    placed.sort()
    return Found(placed, kept, not_recorded, withdrawn, conn.execute(_private(scope)).scalar_one())


def _mark(*said: Any) -> str:
    """A short digest of what an event says of its unit or site: it changes when they do."""
    return blake2b(repr(said).encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()


def _duties(scope: Scope) -> Select[Any]:
    columns = (duties.c.id, duties.c.last_good_day, duties.c.key, duties.c.revision, duties.c.unit_id, duties.c.site_id)
    return _within(select(*columns).where(scope.shown), scope)


def _private(scope: Scope) -> Select[Any]:
    return _within(select(func.count()).select_from(duties).where(not_(scope.shown)), scope)


def _places(scope: Scope) -> Select[Any]:
    query = select(sites.c.id, *_OF_SITE)
    return query if scope.seen is None else query.where(scope.seen)


def _units(scope: Scope) -> Select[Any]:
    query = select(units.c.id, conditions.c.condition, *_OF_UNIT).outerjoin_from(
        units, conditions, conditions.c.unit_id == units.c.id
    )
    if scope.seen is None:
        return query
    return query.where(units.c.id.in_(_within(select(duties.c.unit_id), scope)))


def _kept(scope: Scope, kind: str) -> Select[Any]:
    query = select(events.c.duty_id, events.c.stamp, events.c.body).where(events.c.kind == kind)
    return query if scope.seen is None else query.where(events.c.duty_id.in_(_within(select(duties.c.id), scope)))


def _within(query: Select[Any], scope: Scope) -> Select[Any]:
    """The query, which is for duties, for those of the scope's sites."""
    if scope.seen is None:
        return query
    return query.join_from(duties, sites, sites.c.id == duties.c.site_id).where(scope.seen)


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
