"""Writes an entry that came by a form: once, and with everything that follows from it reckoned at once."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from ..bootstrap import Program
from ..errors import UserError
from ..register.log import NewEntry
from ..register.recording import as_told, record, strike
from ..rounds.tonight import reckon_units
from ..store.tables import fleet, log

logger = logging.getLogger("nightround.web")

# A button pressed twice, or a page sent again after a slow answer, is one entry.
_TWICE = timedelta(seconds=90)


class Done(NamedTuple):
    """What became of an entry: its id, and whether the unit could be reckoned anew at once."""

    entry_id: int
    reckoned: bool

    def query(self) -> str:
        """For the address of the page that shows it."""
        return f"done={self.entry_id}" + ("" if self.reckoned else "&late=1")


def write_entry(
    program: Program,
    entry: NewEntry,
    check: Callable[[Connection], None] | None = None,
    note: Callable[[Connection, int], None] | None = None,
    *,
    accept_odd: bool = False,
) -> Done:
    """Writes the entry with its consequences in one unit of work, then reckons the unit.

    `check` runs in the same unit of work after writers have been put in order; it raises to refuse the entry. `note`
    is told the number of the entry, and writes beside it in the same unit of work.
    `accept_odd` keeps implausible dates of a fitted part, marked.
    Raises UserError for what the log cannot take.
    """
    now = program.clock()
    with program.store.write() as conn:
        conn.execute(select(fleet.c.id).with_for_update())
        entry_id = _just_written(conn, entry, now) or _write(conn, entry, now, check, accept_odd)
        if note is not None:
            note(conn, entry_id)
    return Done(entry_id, _reckon(program, entry.unit_id))


def _reckon(program: Program, unit_id: int) -> bool:
    """False where a rule pack or model sheet cannot be read, or the database no more: the entry is kept, and the next
    round reckons it."""
    try:
        reckon_units(program, [unit_id])
    except (UserError, DBAPIError):
        logger.exception("unit not reckoned after an entry")
        return False
    return True


def _write(
    conn: Connection, entry: NewEntry, now: datetime, check: Callable[[Connection], None] | None, accept_odd: bool
) -> int:
    if check is not None:
        check(conn)
    if entry.strikes is not None:
        return strike(conn, entry.strikes, entry.note, entry.by_person, now)
    return record(conn, entry, now, accept_odd=accept_odd)


def _just_written(conn: Connection, entry: NewEntry, now: datetime) -> int | None:
    newest = conn.execute(select(log).where(log.c.unit_id == entry.unit_id).order_by(log.c.id.desc()).limit(1)).first()
    if newest is None or now - newest.written_at > _TWICE or abs(newest.at - entry.at) > _TWICE:
        return None
    same = (
        newest.entry == entry.entry
        and newest.by_person == entry.by_person
        and as_told(json.loads(newest.readings), newest.entry) == entry.readings
        and json.loads(newest.part) == entry.part
        and newest.note == entry.note
        and newest.strikes == entry.strikes
    )
    return int(newest.id) if same else None
