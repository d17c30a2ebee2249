"""The step from 0001 to 0003: what is in an older database stays, and reads as never moved."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import text

from nightround.rounds.loading import load
from nightround.store.database import Store
from nightround.store.schema import migrate
from nightround.store.tables import loans

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def test_a_database_of_the_first_schema_keeps_its_rows_and_gains_what_is_told_of_places(
    first_schema: Store,
) -> None:
    store = first_schema
    with store.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'Europe/Berlin')"))
        conn.execute(text("INSERT INTO units (id, unit, site_id, label) VALUES (7, 'MILL-01', 1, 'abc')"))
        conn.execute(text("INSERT INTO evidence (unit_id, looked_on) VALUES (7, '2026-11-20')"))
    migrate(store, NOW)
    with store.read() as conn:
        [loaded] = load(conn, [7])
        assert conn.execute(loans.select()).all() == []
    assert str(loaded.facts.evidence.looked_on) == "2026-11-20"
    assert loaded.facts.evidence.placing is None and loaded.facts.cover is None
