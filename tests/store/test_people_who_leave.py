"""From the first schema to the one with people who leave: rows stay, and nobody has left."""

from __future__ import annotations

from sqlalchemy import text
from tests.conftest import START

from nightround.store import schema
from nightround.store.database import Store


def test_a_first_database_with_rows_goes_forward(first_schema: Store) -> None:
    store = first_schema
    with store.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'UTC')"))
        conn.execute(text("INSERT INTO people (id, person) VALUES (7, 'P7')"))
        conn.execute(text("INSERT INTO person_sites (person_id, site_id) VALUES (7, 1)"))
    schema.migrate(store, START)
    with store.read() as conn:
        assert conn.execute(text("SELECT person, left_on FROM people")).all() == [("P7", None)]
        assert conn.execute(text("SELECT site, responders FROM sites")).all() == [("MILL", None)]
        assert conn.execute(text("SELECT person_id, site_id FROM person_sites")).all() == [(7, 1)]
