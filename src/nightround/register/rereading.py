"""Reads the whole log anew where an older program read it last: parts and evidence follow from how it is read."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import select, update

from ..store import marks
from ..store.database import LOG_READ_AS, Store
from ..store.tables import fleet, units
from .evidence import refresh


def is_read_otherwise(store: Store) -> bool:
    """Whether parts and evidence are still those that an older program read from the log."""
    with store.read() as conn:
        return bool(conn.execute(select(fleet.c.log_read_as)).scalar_one() < LOG_READ_AS)


def read_anew(store: Store, now: datetime, progress: Callable[[int, int | None], None] | None = None) -> list[int]:
    """Rebuilds parts and evidence of every unit, in one unit of work, and gives the ids of the units.

    Does nothing where the log was read as it is now. Marks all units; reckoning them is the caller's next step.
    """
    if not is_read_otherwise(store):
        return []
    with store.write() as conn:
        conn.execute(select(fleet.c.id).with_for_update())
        ids = list(conn.execute(select(units.c.id).order_by(units.c.id)).scalars())
        refresh(conn, ids, progress)
        conn.execute(update(fleet).values(log_read_as=LOG_READ_AS))
        marks.leave(conn, now, units=ids)
    return ids
