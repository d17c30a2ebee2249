"""`rehearse` on the command line: the list as the interface has it, the table, the calendar file."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import ics
import pytest
import vobject
from icalendar import Calendar
from sqlalchemy import update

from nightround import cli
from nightround.bootstrap import Program
from nightround.settings import load
from nightround.store.database import Store
from nightround.store.tables import evidence
from tests.conftest import START

from .build import furnish, rows


@pytest.fixture
def file(tmp_path: Path, sqlite_store: Store) -> Path:
    settings = tmp_path / "nightround.toml"
    settings.write_text('[mail]\nsecurity = "plain"\n[rounds]\ntick_seconds = 900\n', "utf-8")
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    furnish(Program(load(settings), sqlite_store, lambda: START), START.date())
    return settings


def _asked(file: Path, capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> tuple[str, str]:
    assert cli.run(["--config", str(file), *arguments], clock=lambda: START) == status
    return capsys.readouterr()


def test_the_list_says_who_gets_what_when_and_about_which_units(
    file: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    before = rows(sqlite_store)
    found = json.loads(_asked(file, capsys, "--json", "rehearse", "--days", "6")[0])
    assert rows(sqlite_store) == before
    assert found
    for one in found:
        assert datetime.fromisoformat(one["at"]).tzinfo is not None
        assert one["to"].endswith("@example.org")
        assert one["kind"] in ("weekly", "escalation", "opening", "closing")
        assert one["subject"]
        assert isinstance(one["about"], list)
    assert [one["at"] for one in found] == sorted(one["at"] for one in found)
    pads = [one for one in found if one["kind"] == "escalation" and "BAY-02" in one["about"]]
    # Label date 29 November: the first bad day is the 30th, found by the round at two in the morning in Berlin.
    assert pads[0]["at"] == "2026-11-30T01:00:00+00:00"


def test_the_same_is_answered_twice(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = _asked(file, capsys, "--json", "rehearse", "--days", "3", "--full")
    assert _asked(file, capsys, "--json", "rehearse", "--days", "3", "--full") == first
    assert json.loads(first[0]).keys() == {"from", "until", "messages", "unsent", "unreachable", "cases", "notes"}


def test_the_table_says_that_nothing_was_sent_and_what_is_open_at_the_end(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, err = _asked(file, capsys, "rehearse", "--days", "6")
    assert "Nothing was sent." in out
    assert "Open at the end" in out
    assert "BAY-02" in out
    assert "Traceback" not in err


def test_the_calendar_file_has_a_timed_event_for_each_message(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to = tmp_path / "rehearsal.ics"
    found = json.loads(_asked(file, capsys, "--json", "rehearse", "--days", "6", "--ics", str(to))[0])
    body = to.read_bytes()
    starts = sorted(datetime.fromisoformat(one["at"]) for one in found)
    events = Calendar.from_ical(body).walk("VEVENT")
    assert sorted(event.start for event in events) == starts
    assert len({event["uid"] for event in events}) == len(found)
    others = vobject.readOne(body.decode("utf-8")).vevent_list
    assert sorted(event.dtstart.value.astimezone(UTC) for event in others) == starts
    assert sorted(event.begin.datetime for event in ics.Calendar(body.decode("utf-8")).events) == starts
    again = _asked(file, capsys, "--json", "rehearse", "--days", "6", "--ics", str(to))
    assert json.loads(again[0]) == found
    assert to.read_bytes() == body


def test_days_without_any_message_still_give_a_calendar(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    suppose = tmp_path / "down.toml"
    suppose.write_text("[[smtp_down]]\nfrom = 2026-11-25\nuntil = 2026-12-01\n", "utf-8")
    to = tmp_path / "none.ics"
    given: tuple[Any, ...] = ("--json", "rehearse", "--days", "1", "--suppose", str(suppose), "--ics", str(to))
    assert json.loads(_asked(file, capsys, *given)[0]) == []
    assert len(Calendar.from_ical(to.read_bytes()).walk("VEVENT")) == 1


def test_a_past_day_is_refused(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    day: date = START.date() - timedelta(days=1)
    err = _asked(file, capsys, "rehearse", "--from", str(day), status=2)[1]
    assert "is past; give today" in err


def test_a_file_that_is_not_there_is_named(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    err = _asked(file, capsys, "rehearse", "--suppose", "nowhere.toml", status=2)[1]
    assert "nowhere.toml: cannot be read" in err


def test_what_becomes_long_overdue_is_told_that_morning_to_the_coordinator_as_well(
    file: Path, sqlite_store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """Looked at on 27 September, good to 27 October by the house default pack (common practice): from 27 November on
    overdue for longer than thirty days. The coordinator, who had the opening letter, would else have been called at the
    end of that day, by the second step, three working days after the first."""
    with sqlite_store.write() as conn:
        conn.execute(update(evidence).where(evidence.c.unit_id == 1).values(looked_on=date(2026, 9, 27)))
        conn.execute(update(evidence).where(evidence.c.unit_id == 1).values(tested_on=date(2026, 11, 20)))
    found = json.loads(_asked(file, capsys, "--json", "rehearse", "--days", "3", "--full")[0])
    mine = [(one["at"][:16], one["person"], one["kind"]) for one in found["messages"] if "BAY-01" in one["about"]]
    morning = [one for one in mine if one[0].startswith("2026-11-27")]
    assert morning == [
        ("2026-11-27T06:00", "ada", "escalation"),  # seven in the morning in Berlin
        ("2026-11-27T07:00", "coord", "escalation"),  # seven in the fleet's zone, UTC
    ]
