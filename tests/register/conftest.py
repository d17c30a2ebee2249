"""The office for the tests of import and export: on both databases, or on SQLite alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.store.database import Store
from tests.conftest import Clock

from .office import Office, open_office


@pytest.fixture
def office(
    tmp_path: Path,
    database_url: str,
    store: Store,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Office:
    return open_office(tmp_path, database_url, store, clock, monkeypatch, capsys)


@pytest.fixture
def small_office(
    tmp_path: Path,
    sqlite_store: Store,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Office:
    """For what has nothing to do with the kind of database."""
    return open_office(tmp_path, f"sqlite:///{tmp_path / 'nightround.db'}", sqlite_store, clock, monkeypatch, capsys)
