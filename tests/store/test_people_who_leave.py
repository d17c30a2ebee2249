"""From the first schema to the one with people who leave: rows stay, and nobody has left."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import text
from tests.conftest import START

from nightround.store import schema
from nightround.store.database import open_store


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_first_database_with_rows_goes_forward(kind: str, database_of: Callable[[str], str], tmp_path: Path) -> None:
    store = open_store(database_of(kind) if kind == "postgresql" else f"sqlite:///{tmp_path / 'first.db'}")
    if kind == "postgresql":
        with store.write() as conn:
            conn.execute(text("DROP SCHEMA public CASCADE"))
            conn.execute(text("CREATE SCHEMA public"))
    schema.migrate(store, START, to="0001")
    with store.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'UTC')"))
        conn.execute(text("INSERT INTO people (id, person) VALUES (7, 'P7')"))
        conn.execute(text("INSERT INTO person_sites (person_id, site_id) VALUES (7, 1)"))
    schema.migrate(store, START)
    with store.read() as conn:
        assert conn.execute(text("SELECT person, left_on FROM people")).all() == [("P7", None)]
        assert conn.execute(text("SELECT site, responders FROM sites")).all() == [("MILL", None)]
        assert conn.execute(text("SELECT person_id, site_id FROM person_sites")).all() == [(7, 1)]
    store.close()
