"""A database of the first release, with rows in it, goes forward to absences, closures and the rota's file."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy import create_engine, insert, inspect, make_url, select, text
from sqlalchemy.exc import IntegrityError

from nightround.store import schema
from nightround.store.database import Store, open_store
from nightround.store.tables import absences, closures, rota_files

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@pytest.fixture(params=["sqlite", "postgresql"])
def first_release(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A database of schema 0001 with a site, a person and a shift."""
    server = name = ""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path / 'old.db'}"
    else:
        server, name = request.getfixturevalue("postgres"), f"t{uuid.uuid4().hex}"
        _sql(server, f"CREATE DATABASE {name}")
        url = make_url(server).set(drivername="postgresql+psycopg", database=name).render_as_string(hide_password=False)
    store = open_store(url)
    schema.migrate(store, NOW, to="0001")
    with store.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'Europe/London')"))
        conn.execute(text("INSERT INTO people (id, person) VALUES (1, 'P1')"))
        conn.execute(
            text("INSERT INTO rota (person_id, from_at, until_at) VALUES (1, '2026-11-25 08:00', '2026-11-26 08:00')")
        )
    yield store
    store.close()
    if name:
        _sql(server, f"DROP DATABASE {name} WITH (FORCE)")


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


def _sql(server: str, statement: str) -> None:
    url = make_url(server).set(drivername="postgresql+psycopg", database="postgres")
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as conn:
        conn.execute(text(statement))
    engine.dispose()
