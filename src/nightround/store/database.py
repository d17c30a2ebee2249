"""The database and its units of work: one way to read, one way to write.

SQLite and PostgreSQL run the same code. A writing transaction on SQLite begins IMMEDIATE, because a deferred one
that reads first and writes later fails at once (SQLITE_BUSY_SNAPSHOT), whatever the timeout.
Nothing that waits (mail, HTTP) ever happens inside a unit of work.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, insert, make_url, select, update
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError

from ..errors import UserError
from .tables import beats, fleet

BUSY_SECONDS = 30
_PROBE = 64 * 1024  # octets that must find room before a full disk counts as mended


class Store:
    """Holds the engine. `read()` and `write()` are the only ways to a connection.

    `full`: a write of this process found no room on the disk, and none since was known to find it again.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.full = False
        # Made once, since a unit of work may be very short.
        reads: dict[str, Any] = {"nightround_unit": "read"}
        if engine.dialect.name == "postgresql":
            reads |= {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        self._reads, self._writes = engine.execution_options(**reads), engine.execution_options(nightround_unit="write")

    @property
    def dialect(self) -> str:
        return self.engine.dialect.name

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A snapshot: everything read inside it is of one moment. Never write in it."""
        with self._reads.connect() as conn, conn.begin():
            yield conn

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction: all of it or nothing. Committed when the block ends without an error."""
        try:
            with self._writes.connect() as conn, conn.begin():
                yield conn
        except DBAPIError as error:
            self.full = self.full or disk_full(error)
            raise

    def has_room(self) -> bool:
        """Whether something of some size can be written again after `full`; leaves nothing behind."""
        if not self.full:
            return True
        try:
            with self._writes.connect() as conn, conn.begin() as begun:
                conn.execute(insert(beats).values(name="room", at=datetime(1970, 1, 1, tzinfo=UTC), note="." * _PROBE))
                begun.rollback()
        except DBAPIError as error:
            if not disk_full(error):
                raise
            return False
        self.full = False
        return True

    def close(self) -> None:
        self.engine.dispose()


def disk_full(error: BaseException) -> bool:
    """Whether the database says that it finds no room: SQLITE_FULL, and 53100 of PostgreSQL (appendix A)."""
    why = getattr(error, "orig", error)
    return getattr(why, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL or getattr(why, "sqlstate", None) == "53100"


def normal_url(url: str) -> URL:
    """The URL with the drivers we use. Raises UserError where it is none or of a database that we do not know.

    Nothing of it is ever shown: where it is wrong, any part may be a piece of the password.
    """
    use = "use sqlite:///FILE or postgresql://USER@HOST/NAME, with the password in database.password_file"
    try:
        parsed = make_url(url)
    except Exception:
        raise UserError(f"database.url cannot be read as the address of a database; {use}") from None
    if parsed.drivername in ("sqlite", "sqlite+pysqlite"):
        return parsed
    if parsed.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
        raise UserError(f"database.url begins with a kind of database that is not supported; {use}")
    if "@" in f"{parsed.host}{parsed.database}":
        raise UserError(f"database.url has an @ in the wrong place; write one in a password as %40, or {use}")
    return parsed.set(drivername="postgresql+psycopg")


def open_store(url: str) -> Store:
    """Opens the database named by `url`. Creates no tables: see `store.schema`."""
    parsed = normal_url(url)
    # An error that is logged must not show what was written: letters hold names and signed links.
    options: dict[str, Any] = {"pool_pre_ping": parsed.get_backend_name() == "postgresql", "hide_parameters": True}
    if parsed.get_backend_name() == "sqlite":
        if not parsed.database or parsed.database == ":memory:":
            raise UserError(
                "database.url names an SQLite database in memory; nightround needs a file: sqlite:///nightround.db"
            )
        folder = Path(parsed.database).resolve().parent
        if not folder.is_dir():
            raise UserError(f"database.url: the folder {folder} does not exist; make it, or set database.url")
        options["connect_args"] = {
            "timeout": BUSY_SECONDS,
            "check_same_thread": False,
            "isolation_level": None,
        }
    engine = create_engine(parsed, **options)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _sqlite_pragmas)
        event.listen(engine, "begin", begin_sqlite)
    return Store(engine)


def _sqlite_pragmas(dbapi_connection: Any, _record: Any) -> None:
    cursor = dbapi_connection.cursor()
    # WAL: readers and the writer do not wait for each other. FULL: a settled letter survives a power cut.
    for pragma in ("journal_mode = WAL", "foreign_keys = ON", "synchronous = FULL"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def begin_sqlite(conn: Connection) -> None:
    """Begins a unit of work as it is meant: a snapshot to read from, or the one writer."""
    unit = conn.get_execution_options().get("nightround_unit", "write")
    conn.exec_driver_sql("BEGIN" if unit == "read" else "BEGIN IMMEDIATE")


# Raised by whoever changes what the log says of parts or evidence: an older log is then read anew.
LOG_READ_AS = 2


def found_fleet(conn: Connection, now: datetime, namespace: str | None = None) -> None:
    """Writes the fleet's one row if it is not there yet."""
    if conn.execute(select(fleet.c.id)).first() is None:
        values = {"namespace": namespace or str(uuid.uuid4()), "created_at": now, "log_read_as": LOG_READ_AS}
        conn.execute(insert(fleet).values(id=1, **values))


def raise_version(conn: Connection) -> None:
    """Says that something a reader could notice has changed; feeds look at this number first."""
    conn.execute(_RAISE_VERSION)


_RAISE_VERSION = update(fleet).values(version=fleet.c.version + 1)
