"""Keeps the `evidence` rows: what the log says of each unit today, rebuilt from the log whenever it grows."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, or_, select

from ..reckoning.dates import local_day
from ..reckoning.evidence import digest
from ..reckoning.facts import Entry, Evidence
from ..store.tables import evidence, log, people, sites, units
from .gravestones import DISCARDED

_BATCH = 500


def refresh(
    conn: Connection, unit_ids: Iterable[int], progress: Callable[[int, int | None], None] | None = None
) -> None:
    """Rebuilds the evidence of these units from their log, in the caller's unit of work."""
    ids = sorted(set(unit_ids))
    known = set(conn.execute(select(people.c.person)).scalars())
    for start in range(0, len(ids), _BATCH):
        batch = ids[start : start + _BATCH]
        conn.execute(delete(evidence).where(evidence.c.unit_id.in_(batch)))
        rows = [as_row(unit_id, digest(entries)) for unit_id, entries in _entries(conn, batch, known)]
        if rows:
            conn.execute(insert(evidence), rows)
        if progress is not None:
            progress(min(start + _BATCH, len(ids)), len(ids))


def as_row(unit_id: int, found: Evidence) -> dict[str, Any]:
    """The evidence as a row of the `evidence` table."""
    row = found._asdict()
    row["unit_id"] = unit_id
    row["ordered"] = _json(found.ordered)
    row["bad_readings"] = _json(found.bad_readings)
    row["uses"] = _json(found.uses)
    row["notices"] = _json(found.notices)
    return row


def _json(value: Sequence[tuple[Any, ...]]) -> str:
    return json.dumps(value, ensure_ascii=False, default=_iso)


def _iso(value: date | datetime) -> str:
    return value.isoformat()


def _entries(conn: Connection, unit_ids: Sequence[int], known: set[str]) -> Iterator[tuple[int, list[Entry]]]:
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
        )
        .join(units, units.c.id == log.c.unit_id)
        .join(sites, sites.c.id == units.c.site_id)
        .where(log.c.unit_id.in_(unit_ids), or_(log.c.discarded_at.is_(None), log.c.strikes.is_not(None)))
        .order_by(log.c.unit_id, log.c.at, log.c.id)
    )
    rows = conn.execute(query).all()
    struck = {row.strikes for row in rows if row.strikes is not None}
    by_unit: dict[int, list[Entry]] = {}
    for row in rows:
        if row.id in struck or row.entry in ("struck", DISCARDED):
            continue
        by_unit.setdefault(row.unit_id, []).append(
            Entry(
                row.at,
                local_day(row.at, row.time_zone),
                row.entry,
                row.by_person in known,
                json.loads(row.readings),
                json.loads(row.part),
                row.note,
            )
        )
    yield from by_unit.items()
