"""A program for what has nothing to do with the kind of database."""

from __future__ import annotations

import pytest

from nightround.bootstrap import Program
from nightround.settings import Settings
from nightround.store.database import Store

from ...conftest import Clock


@pytest.fixture
def one(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    return Program(settings, sqlite_store, clock)
