"""What a terminal gets: no control character out of stored text, and a word that agrees with its number."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from tests.register.conftest import office, small_office
from tests.register.office import Office, write

from nightround.cli import _WHERE, cli
from nightround.commands.desk import Desk, counted, screen, visible

__all__ = ["office", "small_office"]

ESCAPE = "\x1b[2J\x1b]0;owned\x07"


@given(st.text())
def test_nothing_in_a_text_can_steer_a_terminal(text: str) -> None:
    shown = visible(text)
    assert not any(unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\t" for sign in shown)
    assert visible(shown) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain, Šárka 学校 😀\n\ttab", "plain, Šárka 学校 😀\n\ttab"),
        ("\x1b[31mred", "␛[31mred"),
        ("bell\x07 delete\x7f", "bell␇ delete␡"),
        ("\x9b31m", "\N{REPLACEMENT CHARACTER}31m"),
        ("a\u202ecba", "a\N{REPLACEMENT CHARACTER}cba"),
    ],
)
def test_what_cannot_be_seen_is_shown_as_a_sign(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_a_table_and_a_sentence_in_a_terminal_carry_no_stored_control_character(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk = Desk(None, False)
    shown = io.StringIO()
    desk.out = screen(file=shown, force_terminal=True, width=120)
    desk.table(("note",), [(ESCAPE,)])
    desk.say(f"Notice {ESCAPE}: added.")
    ours = re.sub(r"\x1b\[[0-9;]*m", "", shown.getvalue())  # colours and weights of the table itself
    assert "\x1b" not in ours and "\x07" not in ours
    assert ours.count("␛[2J␛]0;owned␇") == 2


def test_the_history_of_a_unit_shows_control_characters_as_signs(small_office: Office, tmp_path: Path) -> None:
    files = write(
        tmp_path / "files",
        sites="site | time_zone | country\nMILL | Europe/London | GB",
        units="unit | site\nU1 | MILL",
        people="person | name | roles\nben | Ben Sorrel | coordinator",
    )
    small_office.bring(files)
    noted = small_office.run("log", "U1", "check", "--by", "ben", "--reading", "self-test=ok", "--note", f"x{ESCAPE}y")
    assert noted.status == 0
    answer = small_office.say("history", "U1")
    assert "\x1b" not in answer.out and "\x07" not in answer.out
    assert "x␛[2J␛]0;owned␇y" in answer.out
    assert small_office.run("history", "U1").document[0]["note"] == f"x{ESCAPE}y", "kept as it was written"
    refused = small_office.say("log", f"U1{ESCAPE}", "check")
    assert refused.status == 2 and "\x1b" not in refused.err


def test_one_of_a_thing_is_said_in_the_singular(small_office: Office, tmp_path: Path) -> None:
    files = write(
        tmp_path / "files",
        sites="site | time_zone | country\nMILL | Europe/London | GB",
        units="unit | site\nU1 | MILL",
    )
    answer = small_office.say("import", files)
    assert re.search(r"^1 unit reckoned: \d+ duties; see: nightround today$", answer.out, re.MULTILINE)
    assert (counted(1, "duty", "duties"), counted(2, "duty", "duties")) == ("1 duty", "2 duties")
    assert (counted(0, "unit"), counted(1, "unit")) == ("0 units", "1 unit")


@pytest.mark.parametrize("asked", ["--help", "--version"])
def test_help_and_version_load_neither_database_nor_settings(asked: str) -> None:
    """Whoever only asks what there is does not wait for what it needs."""
    look = (
        "import sys; from nightround.cli import run; run([sys.argv[1]]); "
        "sys.exit(', '.join({'sqlalchemy', 'pydantic', 'rich', 'alembic'} & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", look, asked], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout


def test_help_says_of_every_command_what_it_does_in_one_whole_line() -> None:
    answer = CliRunner().invoke(cli, ["--help"], terminal_width=80)
    lines = {line.split()[0]: line for line in answer.output.splitlines() if line.startswith("  ") and line.split()}
    for name, where in _WHERE.items():
        assert lines[name].endswith(where.does)
