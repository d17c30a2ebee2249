"""A copy that was never restored is no copy: each one here is taken, opened and put back, on and across databases."""

from __future__ import annotations

import sqlite3
import stat
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy import Connection, insert, select

from nightround.errors import UserError
from nightround.register.log import NewEntry, append_many, verify_chain
from nightround.store import schema, upkeep
from nightround.store.database import Store, open_store
from nightround.store.tables import fleet, messages, metadata, parts, people, sites, units

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def _quiet(_done: int, _total: int | None) -> None:
    pass


def _fill(store: Store) -> None:
    with store.write() as conn:
        conn.execute(insert(sites), [{"id": 3, "site": "MILL", "name": "Mühle “Ost”", "time_zone": "Europe/Berlin"}])
        conn.execute(
            insert(units),
            [
                {"id": i, "unit": f"MILL-{i:02}", "site_id": 3, "label": f"label-{i}", "made_on": date(2024, 2, 29)}
                for i in range(1, 8)
            ],
        )
        conn.execute(insert(parts), [{"id": 17, "unit_id": 1, "kind": "battery", "state": "fitted", "odd": True}])
        conn.execute(insert(people), [{"id": 5, "person": "P5", "name": "ليلى", "whole_fleet": False}])
        conn.execute(
            insert(messages),
            [
                {
                    "id": 9,
                    "key": "weekly/P5/2026-W48",
                    "kind": "weekly",
                    "person_id": 5,
                    "to_address": "leila@example.org",
                    "subject": "Week 48",
                    "message_id": "<a@example.org>",
                    "body": bytes(range(256)),
                    "urgent": False,
                    "created_at": NOW,
                    "state": "waiting",
                    "next_try_at": NOW,
                }
            ],
        )
        append_many(conn, [NewEntry(unit, NOW, "check", "P5", {"self-test": "ok"}) for unit in (1, 2, 3)], NOW)


def _everything(conn: Connection) -> dict[str, list[tuple[object, ...]]]:
    return {
        table.name: [tuple(row) for row in conn.execute(select(table).order_by(*table.primary_key.columns))]
        for table in metadata.sorted_tables
    }


@pytest.fixture(params=["sqlite", "postgresql"])
def other(request: pytest.FixtureRequest, database_of: Callable[[str], str]) -> Iterator[Store]:
    """A second database, of each kind, with the schema and nothing in it."""
    store = open_store(database_of(request.param))
    yield store
    store.close()


def test_a_copy_restores_to_the_last_byte_on_and_across_databases(store: Store, other: Store, tmp_path: Path) -> None:
    _fill(store)
    file = tmp_path / "copy.db"
    copied = upkeep.back_up(store, file, NOW, _quiet)
    restored = upkeep.restore(other, file, NOW, _quiet)
    assert copied.rows["units"] == 7
    assert restored.rows == copied.rows
    with store.read() as ours, other.read() as theirs:
        assert _everything(theirs) == _everything(ours)
        assert verify_chain(theirs) is None


def test_new_rows_after_a_restore_take_fresh_ids(store: Store, other: Store, tmp_path: Path) -> None:
    # On PostgreSQL the counters stand still unless they are set: the first insert would collide.
    _fill(store)
    upkeep.back_up(store, tmp_path / "copy.db", NOW, _quiet)
    upkeep.restore(other, tmp_path / "copy.db", NOW, _quiet)
    with other.write() as conn:
        row = conn.execute(insert(sites).values(site="NEW", time_zone="UTC"))
        assert row.inserted_primary_key is not None
        assert row.inserted_primary_key[0] == 4
        append_many(conn, [NewEntry(1, NOW, "fault", note="shown")], NOW)
    with other.read() as conn:
        assert verify_chain(conn) is None


def test_the_copy_is_one_file_that_only_its_owner_can_read(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    upkeep.back_up(store, folder / "copy.db", NOW, _quiet)
    assert [file.name for file in folder.iterdir()] == ["copy.db"]
    assert stat.S_IMODE((folder / "copy.db").stat().st_mode) == 0o600


def test_a_copy_is_of_one_moment_while_others_write(store: Store, tmp_path: Path) -> None:
    _fill(store)
    written = threading.Event()

    def write_once(_done: int, _total: int | None) -> None:
        if written.is_set():
            return
        written.set()
        with store.write() as conn:
            conn.execute(insert(units).values(id=8, unit="LATE", site_id=3, label="late"))
            append_many(conn, [NewEntry(4, NOW, "check", "P5")], NOW)

    copied = upkeep.back_up(store, tmp_path / "copy.db", NOW, write_once)
    assert written.is_set()
    assert copied.rows["units"] == 7
    assert copied.rows["log"] == 3
    with store.read() as conn:
        assert conn.execute(select(fleet.c.log_count)).scalar_one() == 4


def test_an_existing_file_is_never_overwritten(sqlite_store: Store, tmp_path: Path) -> None:
    (tmp_path / "copy.db").write_text("precious")
    with pytest.raises(UserError, match="already exists"):
        upkeep.back_up(sqlite_store, tmp_path / "copy.db", NOW, _quiet)
    assert (tmp_path / "copy.db").read_text() == "precious"


def test_a_failed_copy_leaves_nothing_behind(store: Store, tmp_path: Path) -> None:
    _fill(store)
    before = set(tmp_path.iterdir())

    def stop(_done: int, _total: int | None) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        upkeep.back_up(store, tmp_path / "copy.db", NOW, stop)
    assert {path for path in tmp_path.iterdir() if path.suffix not in (".db-wal", ".db-shm")} <= before


def test_restore_refuses_a_database_that_holds_anything(store: Store, tmp_path: Path) -> None:
    _fill(store)
    upkeep.back_up(store, tmp_path / "copy.db", NOW, _quiet)
    with pytest.raises(UserError, match="not empty"):
        upkeep.restore(store, tmp_path / "copy.db", NOW, _quiet)


def test_restore_makes_the_schema_where_there_is_none(store: Store, tmp_path: Path) -> None:
    _fill(store)
    upkeep.back_up(store, tmp_path / "copy.db", NOW, _quiet)
    bare = open_store(f"sqlite:///{tmp_path / 'bare.db'}")
    upkeep.restore(bare, tmp_path / "copy.db", NOW, _quiet)
    with store.read() as ours, bare.read() as theirs:
        assert _everything(theirs) == _everything(ours)
    bare.close()


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lambda file: file.write_bytes(b"not a database at all"), "not a copy"),
        (lambda file: file.write_bytes(file.read_bytes()[: file.stat().st_size // 2]), "damaged"),
        (lambda file: _sql(file, "DELETE FROM sites"), "damaged"),
        (lambda file: _sql(file, "UPDATE alembic_version SET version_num = '9999'"), "newer than this program"),
        (lambda file: _sql(file, "DROP TABLE fleet"), "not a copy"),
        (lambda file: file.unlink(), "cannot be read"),
    ],
)
def test_a_copy_that_cannot_be_trusted_is_refused_and_nothing_is_restored(
    sqlite_store: Store, tmp_path: Path, harm: object, words: str
) -> None:
    _fill(sqlite_store)
    file = tmp_path / "copy.db"
    upkeep.back_up(sqlite_store, file, NOW, _quiet)
    harm(file)  # type: ignore[operator]
    bare = open_store(f"sqlite:///{tmp_path / 'bare.db'}")
    schema.migrate(bare, NOW)
    with pytest.raises(UserError, match=words):
        upkeep.restore(bare, file, NOW, _quiet)
    with bare.read() as conn:
        assert all(not rows for name, rows in _everything(conn).items() if name != "fleet")
    bare.close()


def test_a_value_too_long_for_postgresql_is_named_and_nothing_is_kept(
    sqlite_store: Store, database_of: Callable[[str], str], tmp_path: Path
) -> None:
    with sqlite_store.write() as conn:  # SQLite keeps no lengths
        conn.execute(insert(sites).values(site="x" * 65, time_zone="UTC"))
    upkeep.back_up(sqlite_store, tmp_path / "copy.db", NOW, _quiet)
    target = open_store(database_of("postgresql"))
    with pytest.raises(UserError, match="table sites: a row does not fit"):
        upkeep.restore(target, tmp_path / "copy.db", NOW, _quiet)
    with target.read() as conn:
        assert conn.execute(select(sites)).first() is None
        assert conn.execute(select(fleet)).first() is not None
    target.close()


def test_a_copy_of_an_older_schema_is_migrated_on_the_way(
    sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _fill(sqlite_store)
    upkeep.back_up(sqlite_store, tmp_path / "copy.db", NOW, _quiet)
    # The next release's schema, made up here: one more migration on top of the newest.
    newer = tmp_path / "versions"
    newer.mkdir()
    for script in (Path(schema.__file__).parent / "migrations" / "versions").glob("*.py"):
        (newer / script.name).write_text(script.read_text("utf-8"), "utf-8")
    (newer / "9999_next.py").write_text(
        "from alembic import op\n"
        f"revision = '9999'\ndown_revision = {schema.newest()!r}\nbranch_labels = depends_on = None\n"
        "def upgrade():\n    op.execute(\"UPDATE sites SET notes = 'migrated'\")\n",
        "utf-8",
    )
    config = schema._config

    def with_next(conn: Connection | None = None) -> object:
        made = config(conn)
        made.set_main_option("version_locations", str(newer))
        return made

    monkeypatch.setattr(schema, "_config", with_next)
    monkeypatch.setattr(schema, "_VERSIONS", newer)
    assert schema.newest() == "9999"
    bare = open_store(f"sqlite:///{tmp_path / 'bare.db'}")
    restored = upkeep.restore(bare, tmp_path / "copy.db", NOW, _quiet)
    assert restored.schema == "9999"
    with bare.read() as conn:
        assert conn.execute(select(sites.c.notes)).scalar_one() == "migrated"
    assert upkeep.examine(tmp_path / "copy.db").schema != "9999"
    bare.close()


def _sql(file: Path, statement: str) -> None:
    with sqlite3.connect(file) as conn:
        conn.execute(statement)
    conn.close()
