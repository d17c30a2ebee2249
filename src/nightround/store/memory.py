"""A copy of the whole database in memory, to be tried out and thrown away. Never writes to the database it copies."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, delete, event
from sqlalchemy.pool import StaticPool

from .database import Store, begin_sqlite
from .recalling import Recalled
from .tables import events, feed_states, metadata, sentinels
from .upkeep import copy_table

Progress = Callable[[int, int | None], None]

_KEPT_BYTES = (
    feed_states,
    sentinels,
    events,
)  # what calendars keep between two looks; made anew from the rest when asked for


class Copy(Store):
    """A store in memory that nobody else has. What was read from it before is `recalled`.

    All of it is one transaction that is never committed, and a unit of work a savepoint within it: that is as good
    where nobody else looks, and there may be tens of thousands of them.
    """

    def __init__(self, engine: Engine) -> None:
        self.recalled = Recalled()
        self.recalled.watch(engine)
        super().__init__(engine)
        self._busy = False
        self._conn = engine.connect()
        self._conn.begin()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """As `Store.read`."""
        with self._unit():
            yield self._conn

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """As `Store.write`."""
        driver: Any = self._conn.connection.driver_connection
        with self._unit():
            driver.execute("SAVEPOINT unit")
            try:
                yield self._conn
            except BaseException:
                driver.execute("ROLLBACK TO unit")
                self.recalled.forget()
                raise
            finally:
                driver.execute("RELEASE unit")

    def close(self) -> None:
        """As `Store.close`."""
        self._conn.close()
        super().close()

    @contextmanager
    def _unit(self) -> Iterator[None]:
        if self._busy:
            raise RuntimeError("a unit of work within another; elsewhere they would wait for each other")
        self._busy = True
        try:
            yield
        finally:
            self._busy = False


@contextmanager
def copy_in_memory(store: Store, progress: Progress = lambda done, total: None) -> Iterator[Copy]:
    """A store of its own in memory that holds what the given one held at one moment; gone when the block ends.

    The store must be at the newest schema. Bytes that calendars keep are left out. There is one connection: two units
    of work inside each other are an error there, as they would be a wait for each other elsewhere.
    """
    engine = create_engine(
        "sqlite://",
        poolclass=StaticPool,
        connect_args={"check_same_thread": False, "isolation_level": None, "cached_statements": 1024},
    )
    event.listen(engine, "connect", _pragmas)
    event.listen(engine, "begin", begin_sqlite)
    try:
        with store.read() as conn:
            if store.dialect == "sqlite":
                _pages(conn, engine, progress)
            copy = Copy(engine)
            with copy.write() as out:
                if store.dialect == "sqlite":
                    for table in reversed(_KEPT_BYTES):
                        out.execute(delete(table))
                else:
                    _rows(conn, out, progress)
        yield copy
        copy.close()
    finally:
        engine.dispose()


def _pages(conn: Connection, engine: Engine, progress: Progress) -> None:
    """SQLite's online backup from the very snapshot that `conn` reads."""
    source: Any = conn.connection.driver_connection
    with closing(engine.raw_connection()) as made:
        into: Any = made.driver_connection
        source.backup(into, pages=4096, progress=lambda _status, left, total: progress(total - left, total), sleep=0)


def _rows(conn: Connection, out: Connection, progress: Progress) -> None:
    """Every row of the one snapshot that `conn` reads, table by table."""
    metadata.create_all(out)
    done = 0
    for table in metadata.sorted_tables:
        if table not in _KEPT_BYTES:
            done = copy_table(conn, out, table, done, None, progress)


def _pragmas(dbapi_connection: Any, _record: Any) -> None:
    cursor = dbapi_connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()
