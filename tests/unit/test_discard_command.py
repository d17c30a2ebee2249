"""`discard` on the command line: shows first, does nothing without --yes; the log says what is gone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from tests.conftest import START
from tests.register.discarding.build import fleet_of, monthly, rows, written
from tests.rounds.night.build import add_site, add_unit

from nightround import cli
from nightround.register.log import verify_chain
from nightround.store.database import Store


@pytest.fixture
def file(tmp_path: Path, sqlite_store: Store) -> Path:
    """One unit where no rule asks to keep anything, and one in Taiwan, where records are kept two years."""
    (mill,) = fleet_of(sqlite_store, "MILL-01")
    with sqlite_store.write() as conn:
        taipei = add_unit(conn, "TPE-01", add_site(conn, "TPE", "Asia/Taipei", "TW"), looked_on=None)
    written(sqlite_store, [*monthly(mill, 2024), *monthly(taipei, 2024)])
    settings = tmp_path / "nightround.toml"
    settings.write_text('[mail]\nsecurity = "plain"\n', "utf-8")
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    return settings


def answer(file: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    assert cli.run(["--config", str(file), "--json", *arguments], clock=lambda: START) == 0
    return json.loads(capsys.readouterr().out)


def test_without_yes_it_only_shows(file: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    before = rows(sqlite_store)
    found = answer(file, capsys, "discard", "--before", "2025-06-01")
    assert (found["done"], found["log_entries"]) == (False, [])
    units = {unit["unit"]: unit for unit in found["units"]}
    assert units["MILL-01"]["goes"] == {"check": 16}
    assert units["MILL-01"]["entries"] == "1-16"
    # Taiwan, article 7: two years or more; on 2026-11-25 the checks to 2024-11-01 may go
    assert units["TPE-01"]["goes"] == {"check": 11}
    held = {item["rule"]: item for item in units["TPE-01"]["held_back"]}
    assert held["tw-records-two-years"]["entries"] == {"check": 6}
    assert "article 7" in held["tw-records-two-years"]["source"]
    assert held["tw-records-two-years"]["verified_on"] == "2026-11-25"
    assert found["would_discard"] == 27
    assert "not legal advice" in found["caution"]
    assert rows(sqlite_store) == before


def test_the_table_tells_the_same_and_how_to_do_it(
    file: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["--config", str(file), "discard", "--before", "2025-06-01"], clock=lambda: START) == 0
    said = capsys.readouterr().out
    assert "MILL-01\tMILL\tgoes\t16 check" in said
    assert "TPE-01\tTPE\tstays\t6 check\tkept by rule tw-records-two-years\tRegulations on emergency equipment" in said
    assert "still evidence" in said
    assert "Nothing was changed." in said
    assert "nightround discard --before 2025-06-01 --yes" in said
    assert not any(row.discarded_at for row in rows(sqlite_store).values())


def test_with_yes_it_is_done_and_history_says_so(
    file: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    found = answer(file, capsys, "discard", "--before", "2025-06-01", "--by", "ADA", "--yes")
    assert (found["done"], found["discarded"], len(found["log_entries"])) == (True, 27, 2)
    with sqlite_store.read() as conn:
        assert verify_chain(conn) is None
    history = answer(file, capsys, "history", "MILL-01")
    assert (history[0]["entry"], history[0]["by"]) == ("discarded", "ADA")
    assert history[0]["readings"]["entries"] == "1-16"
    gone = [item for item in history if item["discarded_at"] is not None]
    assert len(gone) == 16
    assert {(item["by"], item["note"]) for item in gone} == {("not recorded", "")}
    cli.run(["--config", str(file), "history", "MILL-01"], clock=lambda: START)
    assert "what it said was discarded on 2026-11-25" in capsys.readouterr().out
    assert answer(file, capsys, "discard", "--before", "2025-06-01", "--yes")["discarded"] == 0


def test_nothing_to_discard_is_said(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--config", str(file), "discard", "--before", "2020-01-01"], clock=lambda: START) == 0
    assert "Nothing from before 2020-01-01 can go; 0 entries are held back." in capsys.readouterr().out


def test_a_day_is_required_and_not_one_to_come(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--config", str(file), "discard", "--yes"], clock=lambda: START) == 2
    assert cli.run(["--config", str(file), "discard", "--before", "2027-01-01", "--yes"], clock=lambda: START) == 2
    assert "2027-01-01 lies in the future" in capsys.readouterr().err


def test_an_export_leaves_gravestones_out_and_imports_without_a_change(
    file: Path, sqlite_store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.conftest import START

    from nightround.register.recording import strike

    with sqlite_store.write() as conn:
        strike(conn, 2, "another unit", "ADA", START)  # stays when what it corrects has gone
    whole = tmp_path / "whole"
    answer(file, capsys, "export", str(whole))
    answer(file, capsys, "discard", "--before", "2025-06-01", "--yes")
    after = rows(sqlite_store)
    assert after[2].discarded_at is not None
    folder = tmp_path / "out"
    answer(file, capsys, "export", str(folder))
    text = (folder / "log.csv").read_text("utf-8")
    assert "discarded" not in text
    assert "struck" not in text
    for told in (folder, whole):
        answer(file, capsys, "import", str(told))
        assert rows(sqlite_store) == after
