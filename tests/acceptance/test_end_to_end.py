"""The main job through the real program, command by command, each in its own process, with real mail."""

from __future__ import annotations

import csv
import uuid
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import icalendar
import pytest
from sqlalchemy import make_url, text
from tests.acceptance.program import Program, Receiver, receiver
from tests.databases import Server

from nightround.settings import load
from nightround.store.database import open_store

TAKAMATSU = Path(__file__).parents[1] / "data" / "open" / "takamatsu-aed.xlsx"


@dataclass(frozen=True)
class Night:
    """An installation after its first night: what each command answered."""

    program: Program
    mail: Receiver
    files: Path
    imported: dict[str, Any]
    first: dict[str, Any]
    second: dict[str, Any]
    delivered: dict[str, Any]
    again: dict[str, Any]
    duties: list[dict[str, Any]]

    def sql(self, query: str) -> list[tuple[Any, ...]]:
        """Looks into the database past the program's commands."""
        store = open_store(load(self.program.folder / "nightround.toml").database_url())
        with store.read() as conn:
            rows = [tuple(row) for row in conn.execute(text(query))]
        store.close()
        return rows


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def night(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Night]:
    folder = tmp_path_factory.mktemp("night")
    more = []
    if request.param == "postgresql":
        more = [f"database.url={_new_database(request.getfixturevalue('postgres'))}"]
    with receiver(folder) as mail:
        program = Program(folder / "fleet")
        _set_up(program, mail.port, *more)
        files = folder / "files"
        program.run("demo", str(files))
        yield Night(
            program,
            mail,
            files,
            program.json("import", str(files)),
            program.json("round"),
            program.json("round"),
            program.json("deliver"),
            program.json("deliver"),
            program.json("duties"),
        )


def _set_up(program: Program, port: int, *more: str) -> None:
    mail = ("mail.host=127.0.0.1", f"mail.port={port}", "mail.security=plain")
    chosen = ("fleet.name=Invented fleet", *mail, *more)
    program.run("setup", str(program.folder), *(part for one in chosen for part in ("--set", one)))


def _new_database(server: Server) -> str:
    """An empty database on the server: no table in it."""
    name = f"e{uuid.uuid4().hex}"
    server.say(f"CREATE DATABASE {name}")
    return make_url(server.address(name)).set(drivername="postgresql").render_as_string(hide_password=False)


def test_the_register_holds_what_the_files_hold(night: Night) -> None:
    for name in ("sites", "units", "parts", "people", "training", "log", "rota"):
        with (night.files / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = sum(1 for _ in csv.DictReader(file))
        assert night.sql(f"SELECT count(*) FROM {name}") == [(rows,)], name


def test_the_first_round_reckons_every_unit_and_the_second_finds_nothing_moved(night: Night) -> None:
    assert night.first["units"] == 60
    assert night.first["duties"] > 180
    assert night.second["units"] == 60
    assert night.second["moves"] == 0
    assert night.second["messages"] == 0


def test_the_same_files_again_change_nothing(night: Night) -> None:
    before = night.sql("SELECT (SELECT count(*) FROM log), (SELECT count(*) FROM parts), (SELECT count(*) FROM moves)")
    night.program.json("import", str(night.files))
    after = night.sql("SELECT (SELECT count(*) FROM log), (SELECT count(*) FROM parts), (SELECT count(*) FROM moves)")
    assert after == before


def test_each_message_arrives_exactly_once(night: Night) -> None:
    kept = night.sql("SELECT message_id, state FROM messages")
    assert kept
    assert {state for _, state in kept} == {"sent"}
    arrived = Counter(letter["Message-ID"] for letter in night.mail.letters())
    assert arrived == Counter(message_id for message_id, _ in kept)
    assert night.delivered["sent"] == len(kept)
    assert night.again["sent"] == 0


def test_nobody_is_flooded_by_a_first_import(night: Night) -> None:
    # What was overdue when it came in goes into one opening letter a person.
    got = Counter((letter["To"], _kind(night, letter)) for letter in night.mail.letters())
    assert max(got.values()) == 1, got
    assert {kind for _, kind in got} <= {"opening", "weekly"}


def _kind(night: Night, letter: EmailMessage) -> str:
    kinds = dict(night.sql("SELECT message_id, kind FROM messages"))
    return str(kinds[letter["Message-ID"]])


def test_each_letter_is_complete_in_text_and_in_html(night: Night) -> None:
    for letter in night.mail.letters():
        assert letter.get_all("Auto-Submitted") == ["auto-generated"]
        plain, html = letter.get_body(("plain",)), letter.get_body(("html",))
        assert plain is not None and plain.get_content().strip()
        assert html is not None and "<" in html.get_content()
        assert letter["To"] and letter["From"] and letter["Subject"] and letter["Date"]


def test_the_calendar_written_is_read_back_and_does_not_change_by_itself(night: Night, tmp_path: Path) -> None:
    added = night.program.json("calendar", "add", "--fleet")
    for name in ("a.ics", "b.ics"):
        night.program.run("calendar", "write", str(added["id"]), "--out", str(tmp_path / name))
    written = (tmp_path / "a.ics").read_bytes()
    assert written == (tmp_path / "b.ics").read_bytes()
    calendar = icalendar.Calendar.from_ical(written)
    events = calendar.walk("VEVENT")
    assert len(events) > 60
    assert len({str(event["UID"]) for event in events}) == len(events)
    for event in events:
        assert event["DTEND"].dt > event["DTSTART"].dt


def test_what_is_wrong_today_is_said_and_the_status_is_3(night: Night) -> None:
    said = night.program.run("today", exits=3)
    assert "60 units" in said
    found = night.program.json("today", exits=3)
    assert found["units"] == 60


def test_every_duty_says_why_and_where_that_was_read(night: Night) -> None:
    for duty in night.duties:
        assert duty["because"], duty
        for because in duty["because"]:
            assert because["rule"] and because["force"] and because["source"], duty


def test_a_backup_restored_elsewhere_answers_the_same(night: Night, tmp_path: Path) -> None:
    night.program.run("backup", str(tmp_path / "copy.db"))
    other = Program(tmp_path / "other")
    _set_up(other, 1)
    assert other.json("restore", str(tmp_path / "copy.db"))["rows"]["units"] == 60
    # Databases sort letters in ways of their own; what is owed is the same.
    assert sorted(map(str, other.json("duties"))) == sorted(map(str, night.duties))


def test_verify_finds_what_the_invented_fleet_lacks_and_nothing_else(night: Night) -> None:
    found = {finding["where"] for finding in night.program.json("verify", exits=3)}
    # No sheet for a model, an address missing, a site that nobody is left for, and one with too few trained people.
    assert found == {"model Bexwater 2", "person C-GULF", "site QUAY", "site OAKS"}


def test_a_bad_file_is_refused_in_whole_with_every_problem(night: Night, tmp_path: Path) -> None:
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "units.csv").write_text("unit,site,spot,made_on\nNEW-1,HARB,hall,31/31/2020\nNEW-2,HARB,hall,soon\n")
    before = night.sql("SELECT count(*) FROM units")
    night.program.run("import", str(bad), exits=2)
    assert night.sql("SELECT count(*) FROM units") == before


def test_the_file_of_a_city_has_no_dates_and_none_is_made_up(tmp_path: Path) -> None:
    # Takamatsu City open data, CC BY 4.0: 450 units, not one date.
    program = Program(tmp_path / "fleet")
    _set_up(program, 1)
    program.run("import", str(TAKAMATSU))
    assert program.json("round")["units"] == 450
    duties = program.json("duties")
    assert len({duty["unit"] for duty in duties}) == 450
    of_parts = [duty for duty in duties if duty["kind"].startswith(("pads-", "battery"))]
    assert len(of_parts) >= 900
    assert {duty["standing"] for duty in of_parts} == {"not recorded"}
    found = program.json("today", exits=(0, 3))
    assert {name: count for name, count in found["conditions"].items() if count} == {"no evidence": 450}
