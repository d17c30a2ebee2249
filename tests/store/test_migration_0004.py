"""A database of the first release, with rows in it, goes forward to absences, closures and the rota's file."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from sqlalchemy import insert, inspect, select, text
from sqlalchemy.exc import IntegrityError

from nightround.store import schema
from nightround.store.database import Store
from nightround.store.tables import absences, closures, rota_files

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@pytest.fixture
def first_release(first_schema: Store) -> Store:
    """A database of schema 0001 with a site, a person and a shift."""
    with first_schema.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'Europe/London')"))
        conn.execute(text("INSERT INTO people (id, person) VALUES (1, 'P1')"))
        conn.execute(
            text("INSERT INTO rota (person_id, from_at, until_at) VALUES (1, '2026-11-25 08:00', '2026-11-26 08:00')")
        )
    return first_schema


def test_rows_of_the_first_release_stay_and_the_new_tables_are_empty_and_work(first_release: Store) -> None:
    schema.migrate(first_release, NOW)
    schema.require_newest(first_release)
    with first_release.write() as conn:
        assert conn.execute(text("SELECT site FROM sites")).scalars().all() == ["MILL"]
        assert conn.execute(text("SELECT count(*) FROM rota")).scalar_one() == 1
        for table in (absences, closures, rota_files):
            assert conn.execute(select(table)).all() == []
            assert {column["name"] for column in inspect(conn).get_columns(table.name)} == set(table.columns.keys())
        conn.execute(insert(closures).values(site_id=1, from_on=date(2026, 12, 1)))
        row = conn.execute(select(closures)).one()
        assert (row.every_year, row.reason, row.until_on) == (False, "", None)
    with first_release.write() as conn, pytest.raises(IntegrityError):
        conn.execute(insert(absences).values(person_id=9, from_on=NOW.date(), until_on=NOW.date()))
