"""`rota`, `away`, `close-site`, `today` and `verify`: what a coordinator sees and types."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from nightround import cli
from nightround.installation import install
from nightround.settings import load as load_settings
from nightround.store.database import open_store

from .build import calendar, gone, on_table, settle
from .test_rota import TURNS

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@dataclass
class Home:
    """An installation in a folder, called as on the command line."""

    folder: Path
    program: Any

    def run(self, *words: str, status: int = 0) -> str:
        """What stands on standard output after the command."""
        out = io.StringIO()
        with redirect_stdout(out):
            assert cli.run(["--config", str(self.folder / "nightround.toml"), *words], clock=lambda: NOW) == status, (
                out.getvalue()
            )
        return out.getvalue()

    def answer(self, *words: str, status: int = 0) -> Any:
        return json.loads(self.run("--json", *words, status=status))


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    from nightround.bootstrap import Program

    made = install(tmp_path / "fleet", {"mail.security": "plain", "rota.file": "rota.ics"}, NOW)
    settings = load_settings(made.settings)
    store = open_store(settings.database_url())
    program = Program(settings, store, lambda: NOW)
    settle(program)
    (made.folder / "rota.ics").write_bytes(calendar(*TURNS))
    yield Home(made.folder, program)
    store.close()


def test_rota_lists_shifts_now_and_next(home: Home) -> None:
    found = home.answer("rota", "--days", "14")
    assert found["now"] == [{"person": "P1", "name": "Ada Ferrow", "away": False}]
    assert found["until"] == "2026-11-30T08:00:00+00:00"
    assert found["next"] == [{"person": "P2", "name": "Ben Oakes", "away": False}]
    assert found["gaps"] == [] and found["problems"] == []
    assert [(shift["person"], shift["from"][:10], shift["source"]) for shift in found["shifts"]] == [
        ("P1", "2026-11-23", "file"), ("P2", "2026-11-30", "file"), ("P1", "2026-12-07", "file"),
    ]  # fmt: skip
    text = home.run("rota")
    assert "On call now: Ada Ferrow (P1) until 2026-11-30 08:00 UTC, then Ben Oakes (P2)." in text
    later = home.answer("rota", "--on", "2026-12-01", "--days", "1")
    assert [row["person"] for row in later["now"]] == ["P2"]


def test_a_gap_or_a_problem_within_fourteen_days_is_status_three_everywhere(home: Home) -> None:
    gone(home.program, 2, "2026-12-02", "2026-12-03")
    assert home.answer("rota", "--days", "2", status=3)["gaps"] == [
        {"from": "2026-12-02T00:00:00+00:00", "until": "2026-12-04T00:00:00+00:00", "sites": [], "why": "P2 is away"}
    ]
    line = "Nobody is on call from 2026-12-02 00:00 UTC to 2026-12-04 00:00 UTC (P2 is away)."
    assert line in home.run("rota", status=3)
    today = home.run("today", status=3)
    assert line in today
    assert "On call now: Ada Ferrow (P1)" in today
    assert [gap["why"] for gap in home.answer("today", status=3)["rota"]["gaps"]] == ["P2 is away"]
    found = home.answer("verify", status=3)
    assert [finding["where"] for finding in found].count("rota") == 1


def test_a_gap_farther_off_is_shown_and_no_finding_of_today(home: Home) -> None:
    gone(home.program, 2, "2026-12-17", "2026-12-18")  # Ben's turn again, 22 days ahead
    assert [gap["why"] for gap in home.answer("rota")["gaps"]] == ["P2 is away"]
    assert home.answer("today", status=3)["rota"]["gaps"] == []  # three: no round has run for this fleet yet


def test_a_broken_file_is_said_and_ends_nothing(home: Home) -> None:
    (home.folder / "rota.ics").write_text("no calendar")
    on_table(home.program, 3, "2026-11-25 08:00", "2026-12-31 08:00")
    found = home.answer("rota", status=3)
    assert [row["person"] for row in found["now"]] == ["P3"]
    assert "rota.ics is not an iCalendar file" in found["problems"][0]
    home.run("round", status=0)


def test_away_records_lists_and_takes_out(home: Home) -> None:
    made = home.answer("away", "P1", "--from", "2026-11-25", "--until", "2026-11-26", "--note", "Ben stands in")
    assert made["number"] == 1
    assert home.answer("rota", status=3)["gaps"][0]["why"] == "P1 is away"
    assert "On call now: Ada Ferrow (P1, away) until" in home.run("today", status=3)
    listed = home.answer("away", "--list")
    assert [(row["person"], row["until"], row["away"]) for row in listed] == [("P1", "2026-11-26", "now")]
    home.run("away", "--remove", "1")
    assert home.answer("away", "--list") == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("away", "P1"), "away needs --from and --until"),
        (("away", "NOBODY", "--from", "2026-12-01", "--until", "2026-12-02"), "person 'NOBODY' is not in the register"),
        (("away", "P1", "--from", "2026-12-02", "--until", "2026-12-01"), "lies before the first"),
        (("away", "P1", "--from", "2026-12-02", "--until", "2036-12-01"), "longer than two years"),
        (("away", "--remove", "7"), "there is no absence 7"),
        (("away",), "give one of these"),
        (("away", "P1", "--list"), "give one of these"),
        (("close-site", "MILL", "--from", "2026-12-01"), "--why"),
        (("close-site", "NOWHERE", "--from", "2026-12-01", "--why", "x"), "site 'NOWHERE' is not in the register"),
        (("close-site", "MILL", "--from", "2026-12-01", "--why", "x", "--every-year"), "needs its last day"),
        (
            ("close-site", "MILL", "--from", "2026-12-01", "--until", "2027-12-01", "--why", "x", "--every-year"),
            "a year or more",
        ),
        (("close-site", "--remove", "7"), "there is no closure 7"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    home: Home, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert cli.run(["--config", str(home.folder / "nightround.toml"), *words], clock=lambda: NOW) == 2
    assert said in capsys.readouterr().err


def test_a_second_record_from_the_same_day_is_refused_and_says_how_to_go_on(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    home.run("close-site", "MILL", "--from", "2026-12-21", "--until", "2027-01-04", "--why", "winter break")
    config = str(home.folder / "nightround.toml")
    again = ["--config", config, "close-site", "MILL", "--from", "2026-12-21", "--why", "again"]
    assert cli.run(again, clock=lambda: NOW) == 2
    assert "take it out first: nightround close-site --remove 1" in capsys.readouterr().err


def test_close_site_records_lists_and_takes_out(home: Home) -> None:
    made = home.answer(
        "close-site", "POOL", "--from", "2026-10-01", "--until", "2027-04-30", "--every-year", "--why", "open-air pool"
    )
    assert (made["number"], made["every_year"]) == (1, True)
    listed = home.answer("close-site", "--list")
    line = "Harbour Pool is closed to 2027-04-30 (open-air pool)."
    assert line in home.run("today", status=3) and line in home.run("duties", "--site", "POOL")
    assert line not in home.run("duties", "--site", "MILL")
    assert home.answer("today", status=3)["closed"][0]["until_on"] == "2027-04-30"
    assert [(row["site"], row["now"], row["why"]) for row in listed] == [
        ("POOL", "closed to 2027-04-30", "open-air pool")
    ]
    home.run("close-site", "--remove", "1")
    assert home.run("close-site", "--list") == "No site is closed now or later.\n"
