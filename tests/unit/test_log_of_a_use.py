"""`log UNIT used`: what was done is taken by option or asked at a terminal, and the crew note is printed."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import insert, select
from tests.rounds.night.build import add_site, add_unit

from nightround.bootstrap import start
from nightround.commands.desk import Desk
from nightround.commands.logbook import log_command
from nightround.errors import UserError
from nightround.installation import install
from nightround.settings import load
from nightround.store.database import Store
from nightround.store.tables import duties, log, people

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)


def stored(home: Path) -> Store:
    return start(load(home / "nightround.toml"), clock=lambda: NOW).store


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """An installation with a unit in Berlin and somebody who is known there."""
    install(tmp_path / "home", {}, NOW)
    store = stored(tmp_path / "home")
    with store.write() as conn:
        site = add_site(conn, "MILL", country="DE", address="Mill Lane 1")
        add_unit(conn, "MILL-01", site, spot="reception", model="Tarnlight Five")
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
    store.close()
    return tmp_path / "home"


def logged(home: Path, *words: str, as_json: bool = False) -> str:
    desk = Desk(str(home / "nightround.toml"), as_json, lambda: NOW)
    result = CliRunner().invoke(log_command, ["MILL-01", *words], obj=desk, standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.stdout


def readings(home: Path) -> dict[str, str]:
    store = stored(home)
    with store.read() as conn:
        found: dict[str, str] = json.loads(
            conn.execute(select(log.c.readings).order_by(log.c.id.desc())).scalars().first()
        )
    store.close()
    return found


def test_what_was_done_is_kept_and_printed_for_the_ambulance_crew(home: Path) -> None:
    said = logged(home, "used", "--by", "P1", "--cpr-minutes", "12", "--shocks", "2", "--child")
    assert readings(home) == {"cpr-minutes": "12", "shocks": "2", "mode": "child"}
    assert said.splitlines()[1:] == [
        "Note for the ambulance crew",
        "  Unit: MILL-01, Tarnlight Five",
        "  Where: Site MILL, Mill Lane 1, reception",
        "  Used: 2026-11-25 14:30 (Europe/Berlin)",
        "  Minutes of CPR: 12",
        "  Shocks given: 2",
        "  Mode: child",
        "  Recorded by: Pat Known. As they noted it; the unit's own record says more.",
    ]


def test_piped_nothing_is_asked_and_what_is_not_known_says_so(home: Path) -> None:
    note = json.loads(logged(home, "used", "--at", "2026-11-25T09:05", "--shocks", "0", as_json=True))["crew_note"]
    assert readings(home) == {"shocks": "0"}
    assert (note["cpr_minutes"], note["shocks"], note["mode"]) == (None, 0, None)
    assert note["used_at"] == "2026-11-25T09:05:00+01:00"
    assert note["recorded_by"] == "unknown passer-by"
    said = logged(home, "used", "--at", "2026-11-25T09:10", "--adult")
    assert "  Minutes of CPR: not recorded\n  Shocks given: not recorded\n  Mode: adult\n" in said


def test_another_entry_has_no_crew_note(home: Path) -> None:
    assert "ambulance" not in logged(home, "check", "--by", "P1", "--reading", "self-test=ok")
    assert "crew_note" not in json.loads(logged(home, "withdrawn", "--by", "P1", as_json=True))


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["check", "--shocks", "1"], "--shocks goes with a use"),
        (["used", "--shocks", "1", "--reading", "shocks=2"], "contradict each other"),
        (["used", "--reading", "shocks=many"], "a whole number from 0 to 999"),
        (["used", "--reading", "mode=infant"], "one of: adult, child"),
        (["reported", "--by", "P1", "--reading", "rule=no-such"], "no rule 'no-such' asks for the report of a use"),
    ],
)
def test_what_cannot_be_is_refused_with_its_cure(home: Path, words: list[str], why: str) -> None:
    with pytest.raises(UserError, match=why):
        logged(home, *words)


def test_a_report_may_name_a_rule_that_is_in_force_somewhere(home: Path) -> None:
    logged(home, "reported", "--by", "P1", "--reading", "rule=es-md-report-use-72-hours")
    assert readings(home) == {"rule": "es-md-report-use-72-hours"}


def test_at_a_terminal_what_is_missing_is_asked_for_until_it_can_be_understood(home: Path) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "nightround", "--config", str(home / "nightround.toml"), "log", "MILL-01", "used"]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    with subprocess.Popen(
        [*command, "--shocks", "3", "--at", "2026-11-25T08:00"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=environment,
        close_fds=True,
    ) as process:
        os.close(theirs)
        os.write(ours, b"a lot\n12\n\n")
        said = b""
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            said += piece
    os.close(ours)
    text = said.decode()
    assert process.returncode == 0, text
    assert "'a lot' will not do; use a whole number from 0 to 999" in text
    assert "Shocks given, or Enter" not in text  # given already
    assert readings(home) == {"cpr-minutes": "12", "shocks": "3"}
    assert "Mode: not recorded" in text
    store = stored(home)
    with store.read() as conn:
        assert {"crew-note", "download"} <= set(conn.execute(select(duties.c.key)).scalars())
    store.close()
