"""The reproduced pitfalls of the database layer: each of these fails without our cure (pitfalls.md, TRIED rows)."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import inspect, select, text, update
from sqlalchemy.exc import IntegrityError, StatementError

from nightround.errors import UserError
from nightround.store import schema
from nightround.store.database import Store, open_store
from nightround.store.tables import fleet, metadata

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def test_an_instant_keeps_its_moment_whatever_its_offset(store: Store) -> None:
    plus_five = datetime(2026, 11, 25, 12, 0, tzinfo=timezone(timedelta(hours=5)))
    with store.write() as conn:
        conn.execute(update(fleet).values(created_at=plus_five))
    with store.read() as conn:
        back = conn.execute(select(fleet.c.created_at)).scalar_one()
    assert back == plus_five
    assert back.utcoffset() == timedelta(0)


def test_an_instant_without_a_zone_is_refused(store: Store) -> None:
    with store.write() as conn, pytest.raises(StatementError, match="time zone"):
        conn.execute(update(fleet).values(created_at=datetime(2026, 11, 25, 12, 0)))  # noqa: DTZ001


def test_foreign_keys_wal_and_full_sync_are_on(sqlite_store: Store) -> None:
    with sqlite_store.read() as conn:
        assert conn.execute(text("PRAGMA foreign_keys")).scalar_one() == 1
        assert conn.execute(text("PRAGMA journal_mode")).scalar_one() == "wal"
        assert conn.execute(text("PRAGMA synchronous")).scalar_one() == 2
    with sqlite_store.write() as conn, pytest.raises(IntegrityError):
        conn.execute(text("INSERT INTO units (unit, site_id, label) VALUES ('U', 999, 'x')"))


def test_a_writer_that_reads_first_does_not_fail_when_another_wrote_before(sqlite_store: Store) -> None:
    # Deferred, the second would get SQLITE_BUSY_SNAPSHOT at once; IMMEDIATE makes it wait its turn.
    url = sqlite_store.engine.url
    assert url.database is not None
    other = open_store(url.render_as_string())
    impatient = sqlite3.connect(url.database, timeout=0, isolation_level=None)
    with sqlite_store.write() as conn:
        conn.execute(select(fleet.c.version)).scalar_one()
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            impatient.execute("BEGIN IMMEDIATE")
        conn.execute(update(fleet).values(version=7))
    with other.write() as conn:
        assert conn.execute(select(fleet.c.version)).scalar_one() == 7
    other.close()
    impatient.close()


def test_a_read_is_of_one_moment(store: Store) -> None:
    with store.read() as conn:
        before = conn.execute(select(fleet.c.version)).scalar_one()
        with store.write() as writer:
            writer.execute(update(fleet).values(version=fleet.c.version + 1))
        assert conn.execute(select(fleet.c.version)).scalar_one() == before
    with store.read() as conn:
        assert conn.execute(select(fleet.c.version)).scalar_one() == before + 1


def test_a_failed_unit_of_work_leaves_nothing(store: Store) -> None:
    with pytest.raises(ZeroDivisionError), store.write() as conn:
        conn.execute(update(fleet).values(version=99))
        raise ZeroDivisionError
    with store.read() as conn:
        assert conn.execute(select(fleet.c.version)).scalar_one() == 1


def test_the_migrations_make_exactly_the_tables_of_the_code(store: Store) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with store.write() as conn:
        assert compare_metadata(MigrationContext.configure(conn), metadata) == []
        assert set(inspect(conn).get_table_names()) == set(metadata.tables) | {"alembic_version"}


def test_the_migrations_are_one_line_and_their_files_begin_with_their_numbers() -> None:
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(schema._config())
    assert scripts.get_heads() == [schema.newest()]
    found = list(scripts.walk_revisions())
    assert [script.revision for script in found] == sorted((script.revision for script in found), reverse=True)
    assert all(Path(script.path).name.startswith(f"{script.revision}_") for script in found)
    assert all(schema.knows(script.revision) for script in found) and not schema.knows("9999")


def test_an_empty_database_is_named_as_such(tmp_path: object) -> None:
    store = open_store(f"sqlite:///{tmp_path}/new.db")
    with pytest.raises(UserError, match="nightround setup"):
        schema.require_newest(store)
    store.close()


@pytest.mark.parametrize("url", ["mysql://x/y", "sqlite://", "nonsense", "sqlite:////no/such/folder/x.db"])
def test_an_unusable_address_is_said_in_a_sentence(url: str) -> None:
    with pytest.raises(UserError, match=r"database\.url"):
        open_store(url)
