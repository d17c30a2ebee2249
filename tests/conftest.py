"""Shared parts of the tests: a clock that is passed in, and both databases for every test that asks for a store."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import hypothesis
import pytest

from nightround.bootstrap import Program
from nightround.settings import Settings, load
from nightround.store.database import Store, open_store

from .databases import Server, Templates, running_server

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
def postgres() -> Iterator[Server]:
    """A real PostgreSQL server, one a test process."""
    with (
        tempfile.TemporaryDirectory(prefix="nightround-pg-") as folder,
        running_server(folder, START, NAMESPACE) as server,
    ):
        yield server


@pytest.fixture(scope="session")
def templates(tmp_path_factory: pytest.TempPathFactory) -> Templates:
    """A migrated SQLite file to copy."""
    return Templates(tmp_path_factory.mktemp("template"), START, NAMESPACE)


@pytest.fixture
def database_of(request: pytest.FixtureRequest, tmp_path: Path, templates: Templates) -> Iterator[Callable[[str], str]]:
    """Gives an empty, migrated database of the kind that is named, as often as it is called."""
    made: list[str] = []
    taken: list[str] = []

    def make(kind: str) -> str:
        if kind == "sqlite":
            made.append(f"nightround{len(made) or ''}.db")
            return templates.copy(tmp_path / made[-1])
        server: Server = request.getfixturevalue("postgres")
        taken.append(server.take())
        return server.address(taken[-1])

    yield make
    for name in taken:
        request.getfixturevalue("postgres").give_back(name)


@pytest.fixture
def bare_database_of(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Makes a database of the kind that is named, without any table."""
    made: list[str] = []

    def make(kind: str) -> str:
        name = f"t{uuid.uuid4().hex}"
        if kind == "sqlite":
            return f"sqlite:///{tmp_path / f'{name}.db'}"
        server: Server = request.getfixturevalue("postgres")
        server.say(f"CREATE DATABASE {name}")
        made.append(name)
        return server.address(name)

    yield make
    for name in made:
        request.getfixturevalue("postgres").drop(name)


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
def sqlite_store(tmp_path: Path, templates: Templates) -> Iterator[Store]:
    """For what has nothing to do with the kind of database."""
    store = open_store(templates.copy(tmp_path / "nightround.db"))
    yield store
    store.close()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    (tmp_path / "nightround.toml").write_text(
        # No test depends on how full the machine's disk is.
        '[mail]\nsecurity = "plain"\n[fleet]\nname = "Test fleet"\n[watch]\nfree_mb = 0\n',
        encoding="utf-8",
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
