"""Reads a unit's log for its page: every entry ever made, the corrected ones with their correction."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, func, select

from ..register.gravestones import DISCARDED, PROOF
from ..store.tables import log
from .forms import BATTERY_WORDS, CHECK_READINGS, SCOPE_WORDS
from .people import names
from .words import spoken

PAGE = 30

# An entry written down later than this after it happened says so.
_LATER = timedelta(hours=1)

PASSER_BY = "unknown passer-by"
NOT_RECORDED = "by whom is not recorded"


@dataclass(frozen=True, slots=True)
class Written:
    """One entry. `written_at` is set where it was written down later; `struck` is the reason where it was corrected."""

    id: int
    at: datetime
    written_at: datetime | None
    entry: str
    who: str
    details: tuple[tuple[str, str], ...]
    note: str
    strikes: int | None
    struck: str | None
    struck_by: str
    can_be_struck: bool


def entries(conn: Connection, unit_id: int, skip: int = 0) -> tuple[list[Written], int]:
    """A page of the log, the newest first by when it happened, and how many entries there are."""
    rows = conn.execute(
        select(log).where(log.c.unit_id == unit_id).order_by(log.c.at.desc(), log.c.id.desc()).offset(skip).limit(PAGE)
    ).all()
    total = conn.execute(select(func.count()).select_from(log).where(log.c.unit_id == unit_id)).scalar_one()
    ids = [row.id for row in rows]
    corrections = {
        row.strikes: row for row in conn.execute(select(log).where(log.c.unit_id == unit_id, log.c.strikes.in_(ids)))
    }
    known = names(conn, {row.by_person for row in (*rows, *corrections.values()) if row.by_person})
    return [_written(row, corrections.get(row.id), known) for row in rows], total


def one(conn: Connection, unit_id: int, entry_id: int) -> Written | None:
    """One entry of the unit's log; None where the unit has none of that id."""
    row = conn.execute(select(log).where(log.c.unit_id == unit_id, log.c.id == entry_id)).first()
    if row is None:
        return None
    return _written(row, None, names(conn, {row.by_person} if row.by_person else set()))


def _written(row: Any, correction: Any, known: dict[str, str]) -> Written:
    def who(person: str) -> str:
        return known[person] if person else PASSER_BY

    gone = row.discarded_at is not None
    told_by_itself = gone or row.entry == DISCARDED

    return Written(
        row.id,
        row.at,
        row.written_at if row.written_at - row.at > _LATER else None,
        row.entry,
        who(row.by_person) if row.by_person or not told_by_itself else NOT_RECORDED,
        tuple(said(name, value) for name, value in (*_items(row.readings), *_items(row.part)) if name != PROOF),
        "What this entry said was discarded." if gone else row.note,
        row.strikes,
        None if correction is None or gone else correction.note,
        "" if correction is None else who(correction.by_person),
        not told_by_itself and row.entry != "struck",
    )


def _items(text: str) -> list[tuple[str, str]]:
    found: dict[str, str] = json.loads(text)
    return sorted(found.items())


_NAMES = {
    "battery": "battery",
    "scope": "kind of check",
    "about": "about",
    "kind": "part",
    "label_date": "printed date",
    "expected": "expected on",
    "shocks": "shocks",
    "cpr-minutes": "minutes of CPR",
    "mode": "mode of the unit",
    "pads-opened": "pads opened",
    "rule": "for the rule",
    "site": "now at the site",
    "spot": "now at the spot",
    "covers": "in the place of",
    "from": "from the site",
    "from-spot": "from the spot",
    "from-floor": "from the floor",
    "from-position": "from the position",
    "told-by": "told by",
    "with": "registered with",
    "was-with": "registered before with",
    "was-on": "registered before on",
    "before": "from before",
    "entries": "entries",
}


def said(name: str, value: str) -> tuple[str, str]:
    """A reading or a detail of a part in words; what has no words is shown as it was kept."""
    if name in CHECK_READINGS:
        called, words = CHECK_READINGS[name]
        return called, words.get(value, value)
    if name == "battery":
        bars = value.partition("/")
        return "Battery", BATTERY_WORDS.get(value, f"{bars[0]} bars of {bars[2]}" if bars[1] else value)
    if name == "scope":
        return "Kind of check", SCOPE_WORDS.get(value, value)
    if name == "kind":
        return "Part", spoken(value)
    return _NAMES.get(name, name).capitalize(), value
