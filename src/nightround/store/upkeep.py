"""Copies a whole database into one file while the service runs, and fills an empty database from such a file.

The file is always an SQLite database of our own schema, whichever database it was taken from, so that a fleet can
move from one kind to the other. Never writes to the database it copies, never into one that holds anything.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, create_engine, delete, func, insert, select, text
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError

from .. import files
from ..errors import Failure, UserError
from . import schema
from .database import Store, open_store
from .tables import fleet, metadata, sessions
from .workshop import put_there, sweep, workshop

Progress = Callable[[int, int | None], None]

BATCH = 2000
_PAGES = 4096  # of the online backup: between steps the progress bar moves
_MAGIC = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds: its schema's revision and the rows of each table."""

    schema: str
    rows: dict[str, int]

    @property
    def total(self) -> int:
        return sum(self.rows.values())


def back_up(store: Store, file: Path, now: datetime, progress: Progress) -> Copied:
    """Writes one consistent copy of the database to `file`, which must not exist yet. The store must be at the newest
    schema.

    The copy is made beside its place, opened again, checked and counted against the very moment it was taken at; only
    then does it get its name. Raises UserError where there can be no such file, Failure where it finds no room or
    the copy is not whole.
    """
    if os.path.lexists(file):
        raise UserError(f"{file} already exists and is left as it is; name another file")
    with ExitStack() as stack:
        copy = _beside(file, stack) / "copy.db"
        with store.read() as conn:
            expected = _counts(conn)
            with _room_for(file):
                if store.dialect == "sqlite":
                    _online(conn, copy, progress)
                else:
                    _logical(conn, copy, now, sum(expected.values()), progress)
        copy.chmod(0o600)  # it names people
        found = examine(copy)
        if found.rows != expected:
            raise Failure(f"the copy is not whole: it holds {found.rows}, the database {expected}; nothing was kept")
        with _room_for(file):
            put_there(copy, file)
        return found


def _beside(file: Path, stack: ExitStack) -> Path:
    """A folder beside the file to work in, gone when the stack ends. Raises UserError where none can be made."""
    parent = file.absolute().parent
    try:
        return stack.enter_context(workshop(parent))
    except OSError as error:
        raise UserError(f"{parent} cannot be written to ({error.strerror}); make it, or name another place") from None


@contextmanager
def _room_for(file: Path) -> Iterator[None]:
    """Failure, in one sentence, where that file cannot be written. What the database itself says goes through, as it is
    never one of SQLite's own errors: those of an SQLite database come wrapped, those of the others are of another kind.
    """
    try:
        yield
        return
    except OSError as error:
        why = error.strerror or str(error)
    except sqlite3.Error as error:
        why = str(error)
    except DBAPIError as error:
        if not isinstance(error.orig, sqlite3.Error):
            raise
        why = str(error.orig)
    raise Failure(f"{file} cannot be written ({why}); make room, or name another place; nothing was kept")


def examine(file: Path) -> Copied:
    """Opens a copy without writing to it, checks it and counts its rows.

    Raises UserError where it is no copy of ours, or damaged.
    """
    try:
        files.check_is_file(file)
        with file.open("rb") as opened:
            magic = opened.read(len(_MAGIC))
    except files.Unfit as unfit:
        raise UserError(f"{file} {unfit}") from None
    except OSError as error:
        raise UserError(f"{file} cannot be read ({error.strerror}); name a file that `backup` wrote") from error
    if magic != _MAGIC:
        raise UserError(f"{file} is not a copy that `backup` wrote")
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as conn:
            checked = conn.execute("PRAGMA integrity_check(1)").fetchone()[0]
            orphan = conn.execute("PRAGMA foreign_key_check").fetchone()
            tables = {name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "alembic_version" not in tables or "fleet" not in tables:
                raise UserError(f"{file} is an SQLite database, but not a copy that `backup` wrote")
            found = conn.execute("SELECT version_num FROM alembic_version").fetchone()
            if found is None or not isinstance(found[0], str):
                raise UserError(f"{file} is an SQLite database, but does not say of which schema; take an older copy")
            revision = found[0]
            known = [table.name for table in metadata.sorted_tables if table.name in tables]
            rows = {name: conn.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in known}
    except sqlite3.DatabaseError as error:
        raise UserError(f"{file} is damaged ({error}); take an older copy") from error
    if checked != "ok" or orphan is not None:
        raise UserError(f"{file} is damaged ({checked if checked != 'ok' else 'rows without their owner'})")
    return Copied(revision, rows)


def restore(store: Store, file: Path, now: datetime, progress: Progress) -> Copied:
    """Fills an empty database from a copy, in one transaction; a copy of an older schema is migrated on the way.

    Raises UserError where the database holds anything, where the copy is damaged or newer than this program, and
    where a value does not fit.
    """
    found = examine(file)
    sweep(file.absolute().parent)
    if not schema.knows(found.schema):
        raise UserError(f"{file} has schema {found.schema}, which is newer than this program; install a newer one")
    if schema.current(store) is None:
        schema.migrate(store, now)
    schema.require_newest(store)
    with _at_newest_schema(file, found, now) as source, store.write() as conn:
        _refuse_what_is_there(conn)
        conn.execute(delete(fleet))
        expected = examine(source)
        done = 0
        with _reading(source) as old:
            for table in metadata.sorted_tables:
                done = copy_table(old, conn, table, done, expected.total, progress)
        if store.dialect == "postgresql":
            _reset_sequences(conn)
        counted = _counts(conn)
        if counted != expected.rows:
            raise Failure(f"not every row arrived: {counted} instead of {expected.rows}; nothing was kept")
        # Whoever was signed out since the copy was made is not signed in again by it: everybody asks for a new link.
        conn.execute(delete(sessions))
    return Copied(schema.newest(), counted)


def _counts(conn: Connection) -> dict[str, int]:
    return {
        table.name: conn.execute(select(func.count()).select_from(table)).scalar_one()
        for table in metadata.sorted_tables
    }


def _online(conn: Connection, copy: Path, progress: Progress) -> None:
    """SQLite's online backup from the very snapshot that `conn` reads, while others go on writing."""
    source: Any = conn.connection.driver_connection
    with closing(sqlite3.connect(copy)) as target:
        source.backup(
            target, pages=_PAGES, progress=lambda _status, left, total: progress(total - left, total), sleep=0
        )
        _one_file(target)


def _one_file(conn: sqlite3.Connection) -> None:
    """Folds the write-ahead log back in: the file is whole without a companion."""
    conn.execute("PRAGMA journal_mode = DELETE")


def _logical(conn: Connection, copy: Path, now: datetime, total: int, progress: Progress) -> None:
    """Every row of the one snapshot that `conn` reads, table by table."""
    target = open_store(f"sqlite:///{copy}")
    try:
        schema.migrate(target, now)
        with target.write() as out:
            out.execute(delete(fleet))
            done = 0
            for table in metadata.sorted_tables:
                done = copy_table(conn, out, table, done, total, progress)
    finally:
        target.close()
    with closing(sqlite3.connect(copy)) as alone:
        _one_file(alone)


def copy_table(
    source: Connection, target: Connection, table: Table, done: int, total: int | None, progress: Progress
) -> int:
    """Copies every row of a table; gives how many are copied so far. Raises UserError where one does not fit."""
    query = select(table).order_by(*table.primary_key.columns)
    rows = source.execute(query, execution_options={"yield_per": BATCH})
    for batch in rows.mappings().partitions():
        try:
            target.execute(insert(table), [dict(row) for row in batch])
        except (DataError, IntegrityError) as error:
            why = str(error.orig).splitlines()[0]
            raise UserError(f"table {table.name}: a row does not fit ({why}); nothing was copied") from error
        done += len(batch)
        progress(done, total)
    return done


@contextmanager
def _at_newest_schema(file: Path, found: Copied, now: datetime) -> Iterator[Path]:
    """The copy itself, or a migrated copy of it that is thrown away afterwards."""
    if found.schema == schema.newest():
        yield file
        return
    with ExitStack() as stack:
        newer = _beside(file, stack) / "newer.db"
        with _room_for(newer):
            shutil.copyfile(file, newer)
            newer.chmod(0o600)
            store = open_store(f"sqlite:///{newer}")
            try:
                schema.migrate(store, now)
            finally:
                store.close()
        yield newer


@contextmanager
def _reading(file: Path) -> Iterator[Connection]:
    engine = create_engine(f"sqlite:///{file.absolute().as_uri()}?mode=ro&uri=true")
    try:
        with engine.connect() as conn:
            yield conn
    finally:
        engine.dispose()


def _refuse_what_is_there(conn: Connection) -> None:
    for name, rows in _counts(conn).items():
        if rows and name != "fleet":
            raise UserError(f"the database is not empty ({name}: {rows} rows); restore into a new one: setup DIR")


def _reset_sequences(conn: Connection) -> None:
    """PostgreSQL's counters start after the highest id that was copied."""
    for table in metadata.sorted_tables:
        column = table.autoincrement_column
        if column is None:
            continue
        sequence = conn.execute(
            text("SELECT pg_get_serial_sequence(:table, :column)"), {"table": table.name, "column": column.name}
        ).scalar_one()
        if sequence is not None:
            highest = conn.execute(select(func.max(column))).scalar_one()
            conn.execute(
                text("SELECT setval(:sequence, :next, false)"), {"sequence": sequence, "next": (highest or 0) + 1}
            )
