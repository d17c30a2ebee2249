"""A copy of the whole database in memory, to be tried out and thrown away. Never writes to the database it copies."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, delete, event
from sqlalchemy.pool import StaticPool

from .database import Store, begin_sqlite
from .recalling import Recalled
from .tables import events, feed_states, metadata
from .upkeep import copy_table

Progress = Callable[[int, int | None], None]

_KEPT_BYTES = (feed_states, events)  # what calendars keep between two looks; made anew from the rest when asked for


class Copy(Store):
    """A store in memory that nobody else has. What was read from it before is `recalled`."""

    def __init__(self, engine: Engine) -> None:
        self.recalled = Recalled()
        self.recalled.watch(engine)
        super().__init__(engine)


@contextmanager
def copy_in_memory(store: Store, progress: Progress = lambda done, total: None) -> Iterator[Copy]:
    """A store of its own in memory that holds what the given one held at one moment; gone when the block ends.

    The store must be at the newest schema. Bytes that calendars keep are left out. There is one connection: two units
    of work inside each other are an error there, as they would be a wait for each other elsewhere.
    """
    engine = create_engine(
        "sqlite://", poolclass=StaticPool, connect_args={"check_same_thread": False, "isolation_level": None}
    )
    event.listen(engine, "connect", _pragmas)
    event.listen(engine, "begin", begin_sqlite)
    copy = Copy(engine)
    try:
        with store.read() as conn:
            if store.dialect == "sqlite":
                _pages(conn, copy, progress)
            else:
                _rows(conn, copy, progress)
        yield copy
    finally:
        copy.close()


def _pages(conn: Connection, copy: Store, progress: Progress) -> None:
    """SQLite's online backup from the very snapshot that `conn` reads."""
    source: Any = conn.connection.driver_connection
    with copy.engine.connect() as target:
        into: Any = target.connection.driver_connection
        source.backup(into, pages=4096, progress=lambda _status, left, total: progress(total - left, total), sleep=0)
    with copy.write() as out:
        for table in reversed(_KEPT_BYTES):
            out.execute(delete(table))


def _rows(conn: Connection, copy: Store, progress: Progress) -> None:
    """Every row of the one snapshot that `conn` reads, table by table."""
    with copy.write() as out:
        metadata.create_all(out)
        done = 0
        for table in metadata.sorted_tables:
            if table not in _KEPT_BYTES:
                done = copy_table(conn, out, table, done, None, progress)


def _pragmas(dbapi_connection: Any, _record: Any) -> None:
    cursor = dbapi_connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()
