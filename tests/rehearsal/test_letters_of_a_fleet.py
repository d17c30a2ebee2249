"""How many letters a fleet of sixty units brings where nobody acts: one a day, and what is urgent and new."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from nightround import cli
from nightround.demo.fleet import write_fleet
from nightround.store.database import Store
from tests.conftest import START

DAYS = 17


def test_seventeen_days_without_anybody_acting_bring_a_coordinator_a_letter_a_day_at_most(
    tmp_path: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """There were eighty-three to one coordinator, most of them the same cases told again within a day."""
    settings = tmp_path / "nightround.toml"
    settings.write_text('[fleet]\ntime_zone = "Europe/Berlin"\n', "utf-8")
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    write_fleet(tmp_path / "files", 60, 1, START.date(), lambda done, total: None)
    assert cli.run(["--config", str(settings), "import", str(tmp_path / "files")], clock=lambda: START) == 0
    capsys.readouterr()
    asked = ["--config", str(settings), "--json", "rehearse", "--from", f"{START:%Y-%m-%d}", "--days", str(DAYS)]
    assert cli.run(asked, clock=lambda: START) == 0
    found = json.loads(capsys.readouterr().out)
    letters = Counter(one["to"] for one in found if one["kind"] != "weekly")
    assert letters["coord@example.org"] > 5, "somebody is told of a fleet of which nobody takes care"
    # An opening letter, one letter a day, and a few for what is new by day.
    assert max(letters.values()) <= DAYS + 6, letters
