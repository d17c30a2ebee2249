"""Keeps the `evidence` rows and the parts: what the log says of each unit today, rebuilt whenever it grows."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, or_, select, update

from ..reckoning.dates import local_day
from ..reckoning.evidence import digest
from ..reckoning.facts import Entry, Evidence, Placing, Stay
from ..reckoning.lending import Loan, ended, lent
from ..reckoning.placing import MOVED
from ..store.tables import evidence, loans, log, sites, units
from .gravestones import DISCARDED
from .standing import stand
from .whereabouts import FROM, IMPORT, TOLD_BY, TOLD_BY_FILES, Spot, Stays, places_of, stays_of
from .witnesses import Witnesses, witnesses

_BATCH = 500


def refresh(
    conn: Connection, unit_ids: Iterable[int], progress: Callable[[int, int | None], None] | None = None
) -> None:
    """Rebuilds parts, evidence and loans of these units from their log, in the caller's unit of work."""
    ids = sorted(set(unit_ids))
    known = witnesses(conn)
    places = places_of(conn)
    for start in range(0, len(ids), _BATCH):
        batch = ids[start : start + _BATCH]
        conn.execute(delete(evidence).where(evidence.c.unit_id.in_(batch)))
        stays: dict[int, tuple[Stay, ...]] = {}
        told = dict(_entries(conn, batch, known, places, stays))
        fittings = stand(conn, batch, told)
        rows = [
            as_row(unit_id, _standing(digest(entries, fittings.get(unit_id, ())), stays[unit_id]))
            for unit_id, entries in told.items()
        ]
        if rows:
            conn.execute(insert(evidence), rows)
        _lend(conn, batch, told, known, places)
        if progress is not None:
            progress(min(start + _BATCH, len(ids)), len(ids))


def _lend(
    conn: Connection,
    unit_ids: Sequence[int],
    told: dict[int, list[Entry]],
    known: Witnesses,
    places: dict[str, Spot],
) -> None:
    """Writes anew which units these stand in for, and whether what stands in for these has ended.

    A loan that is over stays on record: what became of the loan unit concerns the other too.
    """
    before = conn.execute(select(loans).where(loans.c.unit_id.in_(unit_ids))).all()
    others = conn.execute(select(loans).where(loans.c.covers_id.in_(unit_ids), loans.c.unit_id.not_in(unit_ids))).all()
    lenders = {unit_id: loan for unit_id, entries in told.items() if (loan := lent(entries)) is not None}
    if not (before or others or lenders):
        return
    covered = _ids(conn, {loan.covers for loan in lenders.values()})
    found = {
        (unit_id, covered[loan.covers]): loan
        for unit_id, loan in lenders.items()
        if covered.get(loan.covers, unit_id) != unit_id
    }
    wanted = {covers for _, covers in found} | {row.covers_id for row in others}
    theirs = {unit_id: told[unit_id] for unit_id in wanted if unit_id in told}
    theirs |= dict(_entries(conn, sorted(wanted - theirs.keys()), known, places))
    rows = [
        _loan(unit_id, covers, loan, ended(loan, theirs.get(covers, ()))) for (unit_id, covers), loan in found.items()
    ]
    rows += [
        _loan(row.unit_id, row.covers_id, Loan("", row.at, row.since), row.ended_on, over=True)
        for row in before
        if (row.unit_id, row.covers_id) not in found
    ]
    conn.execute(delete(loans).where(loans.c.unit_id.in_(unit_ids)))
    if rows:
        conn.execute(insert(loans), rows)
    for row in others:
        until = ended(Loan("", row.at, row.since), theirs.get(row.covers_id, ()))
        if until != row.ended_on:
            mine = (loans.c.unit_id == row.unit_id, loans.c.covers_id == row.covers_id)
            conn.execute(update(loans).where(*mine).values(ended_on=until))


def _loan(unit_id: int, covers: int, loan: Loan, until: date | None, *, over: bool = False) -> dict[str, Any]:
    return {
        "unit_id": unit_id,
        "covers_id": covers,
        "at": loan.at,
        "since": loan.since,
        "ended_on": until,
        "over": over,
    }


def _ids(conn: Connection, codes: set[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    listed = sorted(codes)
    for start in range(0, len(listed), _BATCH):
        query = select(units.c.unit, units.c.id).where(units.c.unit.in_(listed[start : start + _BATCH]))
        found.update((unit, unit_id) for unit, unit_id in conn.execute(query))
    return found


def as_row(unit_id: int, found: Evidence) -> dict[str, Any]:
    """The evidence as a row of the `evidence` table."""
    row = found._asdict()
    row["unit_id"] = unit_id
    row["ordered"] = _json(found.ordered)
    row["bad_readings"] = _json(found.bad_readings)
    row["uses"] = _json(found.uses)
    row["notices"] = _json(found.notices)
    row["placing"] = _placing(found.placing)
    row["pads"] = _json(found.pads)
    return row


def _standing(found: Evidence, stays: tuple[Stay, ...]) -> Evidence:
    """The evidence with where the unit stood, which only the places that its moves name can tell."""
    return found._replace(placing=(found.placing or Placing())._replace(stays=stays)) if stays else found


def _placing(found: Placing | None) -> str:
    return "" if found is None else _json(found)


def _json(value: Sequence[Any]) -> str:
    return json.dumps(value, ensure_ascii=False, default=_iso)


def _iso(value: date | datetime) -> str:
    return value.isoformat()


def _entries(
    conn: Connection,
    unit_ids: Sequence[int],
    known: Witnesses,
    places: dict[str, Spot],
    stays: dict[int, tuple[Stay, ...]] | None = None,
) -> Iterator[tuple[int, list[Entry]]]:
    """The unstruck entries of each unit, each with its civil day where the unit stood at the time.

    Where each of them stood is put into `stays`.
    """
    query = (
        select(
            log.c.id,
            log.c.unit_id,
            log.c.at,
            log.c.entry,
            log.c.by_person,
            log.c.readings,
            log.c.part,
            log.c.note,
            log.c.strikes,
            sites.c.time_zone,
            sites.c.country,
            sites.c.subdivision,
            sites.c.site_type,
        )
        .join(units, units.c.id == log.c.unit_id)
        .join(sites, sites.c.id == units.c.site_id)
        .where(log.c.unit_id.in_(unit_ids), or_(log.c.discarded_at.is_(None), log.c.strikes.is_not(None)))
        .order_by(log.c.unit_id, log.c.at, log.c.id)
    )
    by_unit: dict[int, list[Any]] = {}
    for row in conn.execute(query).all():
        by_unit.setdefault(row.unit_id, []).append(row)
    for unit_id, rows in by_unit.items():
        struck = {row.strikes for row in rows if row.strikes is not None}
        here = stays_of(rows, Spot(*rows[0][-4:]), places)
        counted = [row for row in rows if row.id not in struck and row.entry not in ("struck", DISCARDED)]
        if counted:
            if stays is not None:
                stays[unit_id] = here.in_order()
            yield unit_id, [entry_of(row, here, known) for row in counted]


def entry_of(row: Any, here: Stays, known: Witnesses) -> Entry:
    """A row of the log as reckoning sees it. `here`: where the unit stood when; `known`: whose word counts."""
    readings = json.loads(row.readings)
    zone, by = here.zone(row.at), known.get(row.by_person)
    told = by is not None and by.holds(row.at, zone)
    told = told or (row.entry in TOLD_BY_FILES and readings.get(TOLD_BY) == IMPORT)
    origin = ("", "")
    if row.entry == MOVED:
        before = here.before(row.at, row.id) if FROM in readings else None
        if before is not None:
            origin = (before.country, before.subdivision)
    day = local_day(row.at, zone)
    return Entry(row.at, day, row.entry, told, readings, json.loads(row.part), row.note, origin, row.id)
