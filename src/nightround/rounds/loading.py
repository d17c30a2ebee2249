"""Loads facts for reckoning, a batch of units at a time, and what the last round left of them.

Keyset paging by unit id: memory does not grow with the fleet.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, case, func, not_, or_, select

from ..reckoning.facts import Change, Evidence, Marks, Pads, Part, Place, Placing, Stay, UnitFacts, Use
from ..store.recalling import ANY, recall
from ..store.tables import cases, conditions, duties, evidence, loans, parts, sites, units

# What only notices ask for (the last field) is read only while one is in force.
_FIELDS = Evidence._fields[:-1]
_NOTICED = Evidence._fields[-1]
_MARKS = (*(units.c[name] for name in Marks._fields), evidence.c[_NOTICED])
_ORDERED = _FIELDS.index("ordered")
_BAD = _FIELDS.index("bad_readings")
_USES = _FIELDS.index("uses")
_PLACING = _FIELDS.index("placing")
_PADS = _FIELDS.index("pads")
_NOTHING = Evidence()
_SAID_AT = 13
_MARKED_AT = _SAID_AT + len(_FIELDS)

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
    site_id: int  # where its holder stood when it was last written
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
KEPT = (duties.c.id, duties.c.uid, duties.c.sequence, duties.c.revision, duties.c.site_id, duties.c.not_recorded_since)


class Loaded(NamedTuple):
    """One unit: where it is, its facts, and what the last round left."""

    id: int
    site_id: int
    place: Place
    facts: UnitFacts
    duties: dict[str, Stored]
    condition: tuple[str, str] | None  # condition and reasons, None before the first round
    cases: tuple[OpenCase, ...]


_ZONES = select(sites.c.time_zone).distinct()
_UNIT_IDS = (
    select(units.c.id)
    .join(sites, sites.c.id == units.c.site_id)
    .where(sites.c.time_zone == bindparam("b_zone"), units.c.id > bindparam("b_after"))
    .order_by(units.c.id)
    .limit(bindparam("b_limit"))
)


def zones(conn: Connection) -> list[str]:
    """The time zones that have a round, in order: those of all sites, with or without units there.

    Where no unit stands there may be spares, people and a number of responders that is wanted.
    """
    return recall(conn, "zones", (sites,), lambda: sorted(conn.execute(_ZONES).scalars()))


def unit_ids(conn: Connection, zone: str, after: int, limit: int) -> list[int]:
    """The next unit ids of a zone."""
    named = {"b_zone": zone, "b_after": after, "b_limit": limit}
    key = ("unit ids", zone, after, limit)
    return recall(conn, key, (sites, units), lambda: list(conn.execute(_UNIT_IDS, named).scalars()))


def load(conn: Connection, ids: Sequence[int], *, marks: bool = False, zone: str = "") -> Iterator[Loaded]:
    """These units (ids in rising order) with everything that reckoning and the comparison need.

    With `marks` also what safety notices ask for, which costs nothing while there are none. `zone` says that all of
    them stand in that time zone.
    """
    if not ids:
        return
    by_duties = recall(conn, ("duties", *ids), (sites, units), lambda: _duties(conn, ids), zone or ANY, (duties,))
    by_case = recall(conn, ("cases", *ids), (sites, units), lambda: _cases(conn, ids), zone or ANY, (cases,))
    by_condition = recall(
        conn, ("conditions", *ids), (sites, units), lambda: _conditions(conn, ids), zone or ANY, (conditions,)
    )
    for unit_id, site_id, place, facts in facts_of(conn, ids, marks=marks):
        yield Loaded(
            unit_id,
            site_id,
            place,
            facts,
            by_duties.get(unit_id, {}),
            by_condition.get(unit_id),
            by_case.get(unit_id, ()),
        )


_FACTS_FROM = (evidence, parts, sites, units)


def facts_of(conn: Connection, ids: Sequence[int], *, marks: bool = False) -> list[tuple[int, int, Place, UnitFacts]]:
    """What is on record of these units (ids in rising order), by number; with the number of the site and the place."""
    return recall(conn, ("facts", *ids, marks), _FACTS_FROM, lambda: _facts(conn, ids, marks))


def _facts(conn: Connection, ids: Sequence[int], marks: bool) -> list[tuple[int, int, Place, UnitFacts]]:
    by_parts = _parts(conn, ids, marks)
    query = _units_query(marks, len(ids) == ids[-1] - ids[0] + 1)
    found = []
    for row in conn.execute(query, named(ids)).all():
        unit_id, site_id, zone, country, subdivision, site_type, celsius, unit, model, in_service_on = row[:10]
        registered_with, registered_on, has_log = row[10:_SAID_AT]
        said = _evidence(row[_SAID_AT:_MARKED_AT]) if has_log is not None else _NOTHING
        marked = None
        if marks:
            *own, noticed = row[_MARKED_AT:]
            marked = Marks(*own)
            if noticed not in (None, "[]"):
                said = said._replace(notices=_with_days(noticed))
        facts = UnitFacts(
            unit,
            model,
            in_service_on,
            by_parts.get(unit_id, ()),
            said,
            marked,
            _months(celsius),
            registered_with,
            registered_on,
        )
        found.append((unit_id, site_id, Place(zone, country, subdivision, site_type), facts))
    return found


def _close_together(ids: Sequence[int]) -> bool:
    """Whether a range is the cheapest condition that holds these ids (in rising order), and not a list."""
    return ids[-1] - ids[0] + 1 < 2 * len(ids)


def within(column: Any, ranged: bool) -> ColumnElement[bool]:
    """The condition for what `named` gives. Statements are built once: that costs more than to carry one out."""
    clause: ColumnElement[bool] = (
        column.between(bindparam("b_first"), bindparam("b_last"))
        if ranged
        else column.in_(bindparam("b_ids", expanding=True))
    )
    return clause


def named(ids: Sequence[int]) -> dict[str, Any]:
    return {"b_first": ids[0], "b_last": ids[-1], "b_ids": ids}


@lru_cache(maxsize=4)
def _units_query(marks: bool, ranged: bool) -> Select[Any]:
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
            units.c.registered_with,
            units.c.registered_on,
            evidence.c.unit_id,
            *(evidence.c[name] for name in _FIELDS),
            *(_MARKS if marks else ()),
        )
        .join(sites, sites.c.id == units.c.site_id)
        .outerjoin(evidence, evidence.c.unit_id == units.c.id)
        .where(within(units.c.id, ranged))
        .order_by(units.c.id)
    )


def _evidence(row: Sequence[Any]) -> Evidence:
    values = list(row)
    for index in (_ORDERED, _BAD):
        text = values[index]
        values[index] = () if text == "[]" else _with_days(text)
    values[_USES] = () if values[_USES] == "[]" else tuple(_use(item) for item in json.loads(values[_USES]))
    values[_PLACING] = _placing(values[_PLACING]) if values[_PLACING] else None
    values[_PADS] = () if values[_PADS] == "[]" else tuple(_pads(*item) for item in json.loads(values[_PADS]))
    return Evidence(*values)


def _pads(kind: str, *days: str | None) -> Pads:
    return Pads(kind, *(None if day is None else date.fromisoformat(day) for day in days))


def _placing(text: str) -> Placing:
    changes, unannounced, announced_on, registered_on, *more = json.loads(text)
    stays = more[0] if more else ()
    return Placing(
        tuple(Change(event, date.fromisoformat(day), *origin) for event, day, *origin in changes),
        tuple(date.fromisoformat(day) for day in unannounced),
        None if announced_on is None else date.fromisoformat(announced_on),
        None if registered_on is None else date.fromisoformat(registered_on),
        tuple(Stay(since and date.fromisoformat(since), Place(*place)) for since, place in stays),
    )


class Lent(NamedTuple):
    """A loan unit in the place of another."""

    loan_id: int
    covers_id: int
    since: date


_LENDING = and_(loans.c.ended_on.is_(None), loans.c.over.is_(False))
ANY_LENT = select(loans.c.unit_id).where(_LENDING).exists()  # whether any unit stands in the place of another


@lru_cache(maxsize=2)
def _lent_query(ranged: bool) -> Select[Any]:
    return (
        select(loans.c.unit_id, loans.c.covers_id, loans.c.since)
        .where(within(loans.c.covers_id, ranged), _LENDING)
        .order_by(loans.c.at, loans.c.unit_id)
    )


def lent(conn: Connection, ids: Sequence[int]) -> list[Lent]:
    """The loans that stand in the place of these units (ids in rising order), the newest of each last."""
    wanted = set(ids)
    query = _lent_query(_close_together(ids))
    rows = recall(conn, ("lent", *ids), (loans,), lambda: conn.execute(query, named(ids)).all())
    return [Lent(*row) for row in rows if row.covers_id in wanted]


def covered_by(conn: Connection, unit_ids: Sequence[int]) -> list[int]:
    """The units in whose place one of these stands or stood: what becomes of a loan unit concerns them too."""
    found: set[int] = set()
    for start in range(0, len(unit_ids), 500):
        query = select(loans.c.covers_id).where(loans.c.unit_id.in_(unit_ids[start : start + 500]))
        found |= set(conn.execute(query).scalars())
    return sorted(found)


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
    return (*columns, _sure_lot().label("lot")) if marks else columns


def _sure_lot() -> ColumnElement[str]:
    """The lot, but none where the code on the label says another: of which a notice speaks cannot be told then.

    The code is not read here, which would cost a part its decoding every night: the lot must stand in it as it is
    typed, case and blanks aside. A written-out code without a lot (GS1: no "(10)") contradicts nothing.
    """
    lot, udi = (func.lower(func.replace(column, " ", "")) for column in (parts.c.lot, parts.c.udi))
    says_none = and_(udi.startswith("("), not_(udi.contains("(10)")))
    holds = or_(parts.c.udi == "", parts.c.lot == "", says_none, udi.contains(lot))
    return case((holds, parts.c.lot), else_="")


@lru_cache(maxsize=4)
def _parts_query(marks: bool, ranged: bool) -> Select[Any]:
    return (
        select(parts.c.unit_id, *part_columns(marks))
        .where(within(parts.c.unit_id, ranged), parts.c.state.in_(("fitted", "spare")))
        .order_by(parts.c.unit_id, parts.c.id)
    )


def _parts(conn: Connection, ids: Sequence[int], marks: bool) -> dict[int, tuple[Part, ...]]:
    found: dict[int, tuple[Part, ...]] = {}
    for unit_id, *rest in conn.execute(_parts_query(marks, _close_together(ids)), named(ids)).all():
        found[unit_id] = (*found.get(unit_id, ()), Part(*rest))
    return found


@lru_cache(maxsize=2)
def _duties_query(ranged: bool) -> Select[Any]:
    return select(*STORED, duties.c.unit_id, *KEPT).where(within(duties.c.unit_id, ranged))


def _duties(conn: Connection, ids: Sequence[int]) -> dict[int, dict[str, Stored]]:
    found: dict[int, dict[str, Stored]] = {}
    for row in conn.execute(_duties_query(_close_together(ids)), named(ids)).all():
        stored = stored_duty(row)
        try:
            found[row[_WIDTH]][row[0]] = stored
        except KeyError:
            found[row[_WIDTH]] = {row[0]: stored}
    return found


@lru_cache(maxsize=2)
def _conditions_query(ranged: bool) -> Select[Any]:
    return select(conditions.c.unit_id, conditions.c.condition, conditions.c.reasons).where(
        within(conditions.c.unit_id, ranged)
    )


def _conditions(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[str, str]]:
    rows = conn.execute(_conditions_query(_close_together(ids)), named(ids))
    return {unit_id: (condition, reasons) for unit_id, condition, reasons in rows}


def stored_duty(row: Any) -> Stored:
    """From a row of `STORED`, whose it is, and `KEPT`."""
    _, number, uid, sequence, revision, site_id, since = row[_WIDTH:]
    return Stored(number, uid, sequence, revision, site_id, row[:_WIDTH], since)


@lru_cache(maxsize=2)
def _cases_query(ranged: bool) -> Select[Any]:
    return (
        select(cases.c.unit_id, *CASE)
        .where(within(cases.c.unit_id, ranged), cases.c.closed_at.is_(None))
        .order_by(cases.c.id)
    )


def _cases(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[OpenCase, ...]]:
    found: dict[int, tuple[OpenCase, ...]] = {}
    for unit_id, *rest in conn.execute(_cases_query(_close_together(ids)), named(ids)).all():
        found[unit_id] = (*found.get(unit_id, ()), OpenCase(*rest))
    return found
