"""The small fleet of these tests, on both databases and on one."""

from __future__ import annotations

import pytest

from nightround.bootstrap import Program
from nightround.letters import audience
from nightround.settings import Settings
from nightround.store.database import Store

from ...conftest import Clock
from .build import Fleet


@pytest.fixture(autouse=True)
def _nothing_reported_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Findings go into the log once a day and process; each test is a day of its own."""
    monkeypatch.setattr(audience, "_reported", {})


@pytest.fixture
def fleet(program: Program) -> Fleet:
    return Fleet(program)


@pytest.fixture
def sqlite_fleet(settings: Settings, sqlite_store: Store, clock: Clock) -> Fleet:
    """For what has nothing to do with the kind of database."""
    return Fleet(Program(settings, sqlite_store, clock))
