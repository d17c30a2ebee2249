"""The office whose commands are run, on both databases; with a key, so that its rounds can write letters."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.store.database import Store
from tests.conftest import Clock
from tests.register.office import Office, open_office


@pytest.fixture
def office(
    tmp_path: Path,
    database_url: str,
    store: Store,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Office:
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    return open_office(tmp_path, database_url, store, clock, monkeypatch, capsys)
