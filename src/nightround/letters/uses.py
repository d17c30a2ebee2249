"""What was recorded of uses that are not restored yet: minutes of CPR, shocks and the note, in words. Sends nothing.

It is about a person: only letters to who looks after the unit (on call, coordinator) carry it, in the body alone;
others are sent to the unit's page, which asks who they are.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, select

from ..reckoning.readings import number
from ..register.crewnote import NOT_RECORDED
from ..register.whereabouts import Stays, stays
from ..store.tables import evidence, log
from .templates import say_instant

LOOKING_AFTER = frozenset({"on-call", "coordinator"})
ON_THE_PAGE = "What was recorded of the use is on the unit's page."
SHOWN = 3  # uses of one unit


def uses_of(conn: Connection, unit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """By unit, a line for each use since it was last restored, the latest first; times are those of where it stood."""
    struck = select(log.c.strikes).where(log.c.strikes.is_not(None))
    query = (
        select(log.c.unit_id, log.c.at, log.c.readings, log.c.note)
        .join(evidence, evidence.c.unit_id == log.c.unit_id)
        .where(
            log.c.unit_id.in_(unit_ids),
            log.c.entry == "used",
            log.c.at >= evidence.c.used_at,
            log.c.id.not_in(struck),
        )
        .order_by(log.c.unit_id, log.c.at.desc(), log.c.id.desc())
    )
    found: dict[int, list[str]] = {}
    stood: dict[int, Stays] = {}
    for row in conn.execute(query).all():
        if row.unit_id not in stood:
            stood[row.unit_id] = stays(conn, row.unit_id)
        zone = stood[row.unit_id].zone(row.at)
        found.setdefault(row.unit_id, []).append(_line(json.loads(row.readings), row.note, row.at, zone))
    return {
        unit_id: (*lines[:SHOWN], *([f"And {len(lines) - SHOWN} more uses."] if len(lines) > SHOWN else []))
        for unit_id, lines in found.items()
    }


def _line(readings: dict[str, str], note: str, at: datetime, zone: str) -> str:
    minutes, shocks = number(readings.get("cpr-minutes", "")), number(readings.get("shocks", ""))
    mode = f" Mode: {readings['mode']}." if readings.get("mode") else ""
    said = f" Note: {' '.join(note.split())}" if note.strip() else ""
    return (
        f"Used {say_instant(at, zone)}, as recorded. Minutes of CPR: {NOT_RECORDED if minutes is None else minutes}. "
        f"Shocks given: {NOT_RECORDED if shocks is None else shocks}.{mode}{said}"
    )
