"""The `round` command: what it says when it could not do its work, or did it for another day."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tests.rounds.night.build import small_fleet

from nightround import cli
from nightround.installation import install
from nightround.rounds.ledger import claim
from nightround.settings import load
from nightround.store.database import open_store


@pytest.fixture
def config(tmp_path: Path) -> Path:
    made = install(tmp_path / "fleet", {"mail.security": "plain"}, datetime.now(UTC))
    store = open_store(load(made.settings).database_url())
    small_fleet(store, "UTC")
    store.close()
    return made.settings


def test_a_round_in_other_hands_is_said_and_is_no_success(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    now = datetime.now(UTC)
    store = open_store(load(config).database_url())
    assert claim(store, "UTC", now.date(), "somebody", now)
    store.close()
    assert cli.run(["--config", str(config), "--json", "round"]) == 1
    assert "another process has the round of UTC in hand" in capsys.readouterr().err


def test_a_round_for_another_day_says_so(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = (datetime.now(UTC) + timedelta(days=90)).date()
    assert cli.run(["--config", str(config), "round", "--on", str(other)]) == 0
    assert "which is not today" in capsys.readouterr().err
    assert cli.run(["--config", str(config), "round"]) == 0
    assert "not today" not in capsys.readouterr().err


@pytest.mark.parametrize("command", ["today", "round", "duties"])
def test_a_database_that_is_gone_is_named_and_not_made_anew(
    config: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    file = config.parent / "nightround.db"
    file.unlink()
    assert cli.run(["--config", str(config), command]) == 2
    said = capsys.readouterr().err
    assert "is not there; go to the folder of your nightround.toml" in said and "back from a backup" in said
    assert not file.exists()


def test_a_file_that_is_no_database_ends_in_a_sentence(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (config.parent / "nightround.db").write_bytes(b"this is no database at all" * 100)
    assert cli.run(["--config", str(config), "today"]) == 1
    said = capsys.readouterr().err
    assert "the database cannot be used" in said
    assert "Traceback" not in said
