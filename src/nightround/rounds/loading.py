"""Loads facts for reckoning, a batch of units at a time, and what the last round left of them.

Keyset paging by unit id: memory does not grow with the fleet.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, select

from ..reckoning.facts import Evidence, Marks, Part, Place, UnitFacts, Use
from ..store.tables import cases, conditions, duties, evidence, parts, sites, units

# What only notices ask for (the last field) is read only while one is in force.
_FIELDS = Evidence._fields[:-1]
_NOTICED = Evidence._fields[-1]
_MARKS = (*(units.c[name] for name in Marks._fields), evidence.c[_NOTICED])
_ORDERED = _FIELDS.index("ordered")
_BAD = _FIELDS.index("bad_readings")
_USES = _FIELDS.index("uses")
_NOTHING = Evidence()
_MARKED_AT = 11 + len(_FIELDS)

STORED = (
    duties.c.key,
    duties.c.kind,
    duties.c.subject,
    duties.c.standing,
    duties.c.opens,
    duties.c.order_by,
    duties.c.last_good_day,
    duties.c.deadline,
    duties.c.role,
    duties.c.period,
    duties.c.because,
)
_WIDTH = len(STORED)


class Stored(NamedTuple):
    """A duty as the last round left it; `said` holds what is compared, in the order of `STORED`."""

    id: int
    uid: str
    sequence: int
    revision: int
    said: tuple[Any, ...]
    not_recorded_since: date | None


class OpenCase(NamedTuple):
    """An open case as it stands. From `kind` on, what a round compares with what it finds."""

    id: int
    cause: str
    kind: str
    severity: str
    shared: str
    what: str
    paused: str
    paused_until: date | None
    site_id: int


CASE = tuple(cases.c[name] for name in OpenCase._fields)
KEPT = (duties.c.id, duties.c.uid, duties.c.sequence, duties.c.revision, duties.c.not_recorded_since)


class Loaded(NamedTuple):
    """One unit: where it is, its facts, and what the last round left."""

    id: int
    site_id: int
    place: Place
    facts: UnitFacts
    duties: dict[str, Stored]
    condition: tuple[str, str] | None  # condition and reasons, None before the first round
    cases: tuple[OpenCase, ...]


def zones(conn: Connection) -> list[str]:
    """The time zones in which units stand, in order."""
    query = select(sites.c.time_zone).join(units, units.c.site_id == sites.c.id).distinct()
    return sorted(conn.execute(query).scalars())


def unit_ids(conn: Connection, zone: str, after: int, limit: int) -> list[int]:
    """The next unit ids of a zone."""
    query = (
        select(units.c.id)
        .join(sites, sites.c.id == units.c.site_id)
        .where(sites.c.time_zone == zone, units.c.id > after)
        .order_by(units.c.id)
        .limit(limit)
    )
    return list(conn.execute(query).scalars())


def load(conn: Connection, ids: Sequence[int], *, marks: bool = False) -> Iterator[Loaded]:
    """These units (ids in rising order) with everything that reckoning and the comparison need.

    With `marks` also what safety notices ask for, which costs nothing while there are none.
    """
    if not ids:
        return
    by_parts = _parts(conn, ids, marks)
    by_duties = _duties(conn, ids)
    by_condition = _conditions(conn, ids)
    by_case = _cases(conn, ids)
    for row in conn.execute(_units(ids, marks)).all():
        unit_id, site_id, zone, country, subdivision, site_type, celsius, unit, model, in_service_on, has_log = row[:11]
        said = _evidence(row[11:_MARKED_AT]) if has_log is not None else _NOTHING
        marked = None
        if marks:
            *own, noticed = row[_MARKED_AT:]
            marked = Marks(*own)
            if noticed not in (None, "[]"):
                said = said._replace(notices=_with_days(noticed))
        yield Loaded(
            unit_id,
            site_id,
            Place(zone, country, subdivision, site_type),
            UnitFacts(unit, model, in_service_on, by_parts.get(unit_id, ()), said, marked, _months(celsius)),
            by_duties.get(unit_id, {}),
            by_condition.get(unit_id),
            by_case.get(unit_id, ()),
        )


def _within(column: Any, ids: Sequence[int]) -> ColumnElement[bool]:
    """The cheapest condition that holds these ids: a range where they lie close together."""
    span = ids[-1] - ids[0] + 1
    clause: ColumnElement[bool] = column.between(ids[0], ids[-1]) if span < 2 * len(ids) else column.in_(ids)
    return clause


def _units(ids: Sequence[int], marks: bool) -> Select[Any]:
    return (
        select(
            units.c.id,
            units.c.site_id,
            sites.c.time_zone,
            sites.c.country,
            sites.c.subdivision,
            sites.c.site_type,
            sites.c.monthly_celsius,
            units.c.unit,
            units.c.model,
            units.c.in_service_on,
            evidence.c.unit_id,
            *(evidence.c[name] for name in _FIELDS),
            *(_MARKS if marks else ()),
        )
        .join(sites, sites.c.id == units.c.site_id)
        .outerjoin(evidence, evidence.c.unit_id == units.c.id)
        .where(units.c.id.in_(ids) if len(ids) != ids[-1] - ids[0] + 1 else units.c.id.between(ids[0], ids[-1]))
        .order_by(units.c.id)
    )


def _evidence(row: Sequence[Any]) -> Evidence:
    values = list(row)
    for index in (_ORDERED, _BAD):
        text = values[index]
        values[index] = () if text == "[]" else _with_days(text)
    values[_USES] = () if values[_USES] == "[]" else tuple(_use(item) for item in json.loads(values[_USES]))
    return Evidence(*values)


def _use(item: list[Any]) -> Use:
    at, day, shocks, minutes, reported, reported_for, *rest = item
    return Use(
        datetime.fromisoformat(at), date.fromisoformat(day), shocks, minutes, reported, tuple(reported_for), *rest
    )


@lru_cache(maxsize=4096)
def _months(celsius: str) -> tuple[float, ...]:
    """The mean temperatures of the twelve months; empty where the site has none on record."""
    return tuple(float(mean) for mean in celsius.split(";")) if celsius else ()


def _with_days(text: str) -> tuple[Any, ...]:
    return tuple((*item[:-1], date.fromisoformat(item[-1])) for item in json.loads(text))


def part_columns(marks: bool) -> tuple[Any, ...]:
    """The columns of a `Part`, in its order."""
    columns = (parts.c.id, parts.c.kind, parts.c.state, parts.c.last_good_day, parts.c.fitted_on)
    return (*columns, parts.c.lot) if marks else columns


def _parts(conn: Connection, ids: Sequence[int], marks: bool) -> dict[int, tuple[Part, ...]]:
    query = (
        select(parts.c.unit_id, *part_columns(marks))
        .where(_within(parts.c.unit_id, ids), parts.c.state != "removed")
        .order_by(parts.c.unit_id, parts.c.id)
    )
    found: dict[int, tuple[Part, ...]] = {}
    for unit_id, *rest in conn.execute(query).all():
        found[unit_id] = (*found.get(unit_id, ()), Part(*rest))
    return found


def _duties(conn: Connection, ids: Sequence[int]) -> dict[int, dict[str, Stored]]:
    query = select(*STORED, duties.c.unit_id, *KEPT).where(_within(duties.c.unit_id, ids))
    found: dict[int, dict[str, Stored]] = {}
    for row in conn.execute(query).all():
        stored = stored_duty(row)
        try:
            found[row[_WIDTH]][row[0]] = stored
        except KeyError:
            found[row[_WIDTH]] = {row[0]: stored}
    return found


def stored_duty(row: Any) -> Stored:
    """From a row of `STORED`, whose it is, and `KEPT`."""
    return Stored(row[_WIDTH + 1], row[_WIDTH + 2], row[_WIDTH + 3], row[_WIDTH + 4], row[:_WIDTH], row[_WIDTH + 5])


def _conditions(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[str, str]]:
    query = select(conditions.c.unit_id, conditions.c.condition, conditions.c.reasons).where(
        _within(conditions.c.unit_id, ids)
    )
    return {unit_id: (condition, reasons) for unit_id, condition, reasons in conn.execute(query)}


def _cases(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[OpenCase, ...]]:
    query = (
        select(cases.c.unit_id, *CASE)
        .where(_within(cases.c.unit_id, ids), cases.c.closed_at.is_(None))
        .order_by(cases.c.id)
    )
    found: dict[int, tuple[OpenCase, ...]] = {}
    for unit_id, *rest in conn.execute(query).all():
        found[unit_id] = (*found.get(unit_id, ()), OpenCase(*rest))
    return found
