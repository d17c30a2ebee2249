"""Copies of the register that do not come to their end: no room, or killed. One sentence, and nothing is left lying."""

from __future__ import annotations

import asyncio
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from nightround import cli
from nightround.bootstrap import Program
from nightround.daemon import Service
from nightround.installation import install
from nightround.settings import load
from nightround.store import schema
from nightround.store.database import open_store

from ..conftest import START, Clock

SMALL = 64 * 1024  # octets: less than any database of ours


@pytest.fixture
def settings_file(tmp_path: Path) -> Path:
    made = install(tmp_path / "fleet", {}, START)
    rows = "".join(f"P{n},Person {n},p{n}@example.org\n" for n in range(3000))
    (tmp_path / "import").mkdir()
    (tmp_path / "import" / "people.csv").write_text("person,name,email\n" + rows, "utf-8")
    assert cli.run(["--config", str(made.settings), "import", str(tmp_path / "import")]) == 0
    return made.settings


def run_small(settings_file: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Runs a command in a process whose files may not grow beyond a few pages: to it the disk is full."""
    return subprocess.run(
        [sys.executable, "-m", "nightround", "--config", str(settings_file), *arguments],
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (SMALL, SMALL)),
        check=False,
    )


def killed(settings_file: Path, folder: Path, command: str) -> list[Path]:
    """Runs a command that is killed while it copies; gives what it leaves in the folder."""
    before = set(folder.iterdir())
    code = f"""
import os, signal, sys
from nightround import cli
from nightround.commands import desk
from contextlib import contextmanager

@contextmanager
def deadly(self, what):
    yield lambda done, total: os.kill(os.getpid(), signal.SIGKILL)

desk.Desk.progress = deadly
sys.exit(cli.run({["--config", str(settings_file), *command.split()]!r}))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr
    return [path for path in folder.iterdir() if path not in before]


def test_a_backup_that_finds_no_room_says_so_in_one_sentence_and_leaves_nothing(
    settings_file: Path, tmp_path: Path
) -> None:
    target = tmp_path / "copies" / "fleet.db"
    target.parent.mkdir()
    done = run_small(settings_file, "backup", str(target))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"nightround: {target} cannot be written (")
    assert done.stderr.endswith("make room, or name another place; nothing was kept\n")
    assert done.stderr.count("\n") == 1
    assert list(target.parent.iterdir()) == []


def test_a_backup_of_postgresql_that_finds_no_room_says_so_too(
    database_of: object, settings_file: Path, tmp_path: Path
) -> None:
    url = database_of("postgresql")  # type: ignore[operator]
    store = open_store(url)
    schema.migrate(store, START)
    store.close()
    os.environ["NIGHTROUND_DATABASE_URL"] = url
    try:
        done = run_small(settings_file, "backup", str(tmp_path / "copies.db"))
    finally:
        del os.environ["NIGHTROUND_DATABASE_URL"]
    assert done.returncode == 1
    assert done.stderr.startswith(f"nightround: {tmp_path}/copies.db cannot be written (")
    assert done.stderr.count("\n") == 1
    assert not [path for path in tmp_path.iterdir() if path.name.startswith((".", "copies"))]


def test_the_disk_of_a_copy_is_not_taken_for_that_of_the_database(
    settings_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["--config", str(settings_file), "backup", str(tmp_path / "no" / "such.db")]) == 2
    assert "cannot be written to" in capsys.readouterr().err


def test_what_a_killed_backup_leaves_is_swept_by_the_next(settings_file: Path, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    copies.mkdir()
    (left,) = killed(settings_file, copies, f"backup {copies}/one.db")
    assert (left / "copy.db").is_file()
    assert cli.run(["--config", str(settings_file), "backup", str(copies / "two.db")]) == 0
    assert [path.name for path in copies.iterdir()] == ["two.db"]


def test_what_a_killed_backup_leaves_is_swept_by_the_service(
    settings_file: Path, tmp_path: Path, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    copies = tmp_path / "copies"
    copies.mkdir()
    assert killed(settings_file, copies, f"backup {copies}/one.db")
    settings = load(settings_file)
    store = open_store(settings.database_url())
    asyncio.run(Service(Program(settings, store, clock)).tick())
    store.close()
    assert list(copies.iterdir()) == []
    assert "what a killed copy left was removed" in [record.getMessage() for record in caplog.records]


def test_a_copy_that_is_still_being_made_is_left_alone(settings_file: Path, tmp_path: Path) -> None:
    from nightround.store.workshop import sweep, workshop

    with workshop(tmp_path) as folder:
        (folder / "copy.db").write_text("half of it")
        assert sweep(tmp_path) == 0
        assert (folder / "copy.db").is_file()
    assert not folder.exists()


def test_what_an_earlier_version_left_is_swept_as_well(settings_file: Path, tmp_path: Path) -> None:
    old = tmp_path / ".nightround-x1y2z3"
    old.mkdir()
    (old / "copy.db").write_text("names")
    (old / "copy.db-journal").write_text("names")
    other = tmp_path / ".nightround-mine"
    other.mkdir()
    (other / "notes.txt").write_text("somebody's")
    assert cli.run(["--config", str(settings_file), "backup", str(tmp_path / "two.db")]) == 0
    assert not old.exists()
    assert (other / "notes.txt").is_file()


def test_an_export_that_was_killed_is_swept_by_the_next(settings_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    code = f"""
import os, signal
from nightround import cli
from nightround.register import sinks
sinks._Folder.row = lambda self, cells: os.kill(os.getpid(), signal.SIGKILL)
cli.run({["--config", str(settings_file), "export", str(folder / "one")]!r})
"""
    subprocess.run([sys.executable, "-c", code], check=False)
    assert list(folder.iterdir())
    assert cli.run(["--config", str(settings_file), "export", str(folder / "two")]) == 0
    assert [path.name for path in folder.iterdir()] == ["two"]


def test_a_restore_that_finds_no_room_says_so_in_one_sentence_and_leaves_nothing(
    settings_file: Path, tmp_path: Path
) -> None:
    copies = tmp_path / "copies"
    copies.mkdir()
    assert cli.run(["--config", str(settings_file), "backup", str(copies / "one.db")]) == 0
    other = tmp_path / "other"
    made = install(other, {}, START)
    done = run_small(made.settings, "--json", "restore", str(copies / "one.db"))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("nightround: ")
    assert done.stderr.count("\n") == 1
    assert [path.name for path in copies.iterdir()] == ["one.db"]
    # Nothing is half restored: with room it goes.
    assert cli.run(["--config", str(made.settings), "restore", str(copies / "one.db")]) == 0
