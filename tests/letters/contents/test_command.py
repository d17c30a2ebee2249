"""`nightround letter`: the letter as it would be sent, of any week; it writes nothing into the database."""

from __future__ import annotations

import json
from datetime import date, timedelta
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import func, select

from nightround.cli import cli
from nightround.commands import desk
from nightround.errors import UserError
from nightround.letters import weekly
from nightround.rounds.tonight import run_owed
from nightround.store.tables import metadata

from ...conftest import Clock
from ...rounds.night.build import small_fleet
from .build import Fleet, flat, read


@pytest.fixture
def ready(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> Fleet:
    """A fleet after its first round, and the command line on its database."""
    small_fleet(fleet.program.store)
    with fleet.program.store.read() as conn:
        fleet.sites["MILL"] = conn.execute(select(metadata.tables["sites"].c.id)).scalar_one()
    run_owed(fleet.program)
    fleet.person("MA", "manager", ["MILL"])
    fleet.person("CO", "coordinator", whole=True)
    monkeypatch.setattr(desk.Desk, "program", fleet.program)
    return fleet


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["letter", *arguments], catch_exceptions=False, standalone_mode=False)


def as_json(*arguments: str) -> dict[str, str]:
    result = CliRunner().invoke(cli, ["--json", "letter", *arguments], catch_exceptions=False, standalone_mode=False)
    found: dict[str, str] = json.loads(result.stdout)
    return found


def rows(fleet: Fleet) -> dict[str, int]:
    with fleet.program.store.read() as conn:
        return {
            name: conn.execute(select(func.count()).select_from(table)).scalar_one()
            for name, table in metadata.tables.items()
        }


def test_it_prints_the_letter_that_is_then_sent_and_stores_nothing(ready: Fleet) -> None:
    before = rows(ready)
    printed = run("--to", "MA").stdout
    assert rows(ready) == before
    weekly.post_owed(ready.program, ready.program.clock())
    mail = next(mail for mail in ready.mail() if mail.key.startswith("weekly/MA/"))
    assert printed == f"To: {mail.to}\nSubject: {mail.subject}\n\n{mail.text}"


def test_without_a_name_it_is_the_letter_of_the_fleets_coordinator(ready: Fleet) -> None:
    assert as_json()["person"] == "CO"


def test_its_json_holds_every_part(ready: Fleet) -> None:
    found = as_json("--to", "MA")
    assert found["week"] == "2026-W48"
    assert found["to"] == "Person MA <ma@example.org>"
    assert found["subject"].startswith("1 of 4 in service, 1 not to be relied on, 1 no evidence, 1 work due")
    assert found["html"].startswith("<!DOCTYPE html>")
    assert "MILL-02" in found["text"]


def test_a_file_holds_the_bytes_that_would_go(ready: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "letter.eml"
    run("--to", "MA", "--out", str(out))
    message = message_from_bytes(out.read_bytes(), policy=default)
    assert message["To"] == "Person MA <ma@example.org>"
    weekly.post_owed(ready.program, ready.program.clock())
    sent = next(mail for mail in ready.mail() if mail.key.startswith("weekly/MA/"))
    assert message["Message-ID"] == sent.message["Message-ID"]


def test_a_coming_week_is_reckoned_for_it_and_says_so(ready: Fleet) -> None:
    # MILL-01 was looked at on 20 Nov; a month on is 20 Dec, so on 21 Dec it is a day overdue.
    found = as_json("--to", "MA", "--week", "2026-W52")
    assert found["subject"].startswith("Rehearsed for Mon 21 Dec 2026: ")
    text = flat(found["text"])
    assert text.startswith("Reckoned on Wed 25 Nov 2026, 10:00 for Mon 21 Dec 2026, from what is recorded now.")
    assert "1 DAY OVERDUE: MILL-01" in text
    assert "last good day was Sun 20 Dec 2026" in text
    assert "What changed since" not in text


def test_a_rehearsed_letter_of_today_finds_what_the_round_found(ready: Fleet) -> None:
    from nightround.letters.audience import readers
    from nightround.letters.situation import Reckoned, Stored
    from nightround.rounds.rulebook import load

    today = date(2026, 11, 25)
    with ready.program.store.read() as conn:
        (reader,) = [
            r for r in readers(conn, ready.program.settings, ("manager",), at=ready.program.clock()) if r.person == "MA"
        ]
        stored = Stored(conn, reader.sites(), ready.program.clock(), today)
        reckoned = Reckoned(conn, load(ready.program.settings), reader.sites(), today, ready.program.settings)
        by_unit = [(unit.where, unit.condition, unit.reasons) for unit in stored.units()]
        assert by_unit == [(unit.where, unit.condition, unit.reasons) for unit in reckoned.units()]
        horizon = today + timedelta(days=8)
        near = sorted(
            duty
            for duty in reckoned.duties()
            if duty.standing != "ahead" or (duty.last_good_day or today) <= horizon or (duty.opens or today) <= horizon
        )
        assert sorted(_comparable(duty) for duty in stored.duties()) == sorted(_comparable(duty) for duty in near)


def _comparable(duty: object) -> str:
    assert hasattr(duty, "_replace")
    return repr(duty)


def test_a_week_that_is_over_is_shown_as_it_was_sent(ready: Fleet, clock: Clock) -> None:
    weekly.post_owed(ready.program, clock.now)
    sent = next(mail for mail in ready.mail() if mail.key.startswith("weekly/MA/"))
    clock.forward(days=14)
    found = as_json("--to", "MA", "--week", "2026-W48")
    assert (found["subject"], found["text"]) == (sent.subject, sent.text)


def test_a_week_that_is_over_and_had_no_letter_is_reckoned(ready: Fleet) -> None:
    assert as_json("--to", "MA", "--week", "2026-W40")["subject"].startswith("Rehearsed for Mon 28 Sep 2026: ")


@pytest.mark.parametrize("week", ["2026-48", "2026-W54", "W48", "2026-W00", "next"])
def test_a_week_that_is_none_is_refused_with_the_cure(ready: Fleet, week: str) -> None:
    with pytest.raises(UserError, match="is not an ISO week; write it as 2026-W48"):
        run("--week", week)


def test_somebody_who_gets_no_weekly_letter_is_refused_with_who_does(ready: Fleet) -> None:
    ready.person("ON", "on-call", ["MILL"])
    with pytest.raises(UserError, match="'ON' gets no weekly letter; coordinators and managers are: CO, MA"):
        run("--to", "ON")


def test_a_file_that_cannot_be_written_is_refused(ready: Fleet, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be written"):
        run("--out", str(tmp_path / "no" / "letter.eml"))


def test_a_fleet_without_readers_is_told_so(sqlite_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk.Desk, "program", sqlite_fleet.program)
    with pytest.raises(UserError, match="nobody is coordinator or manager"):
        run()


def test_whoever_stopped_the_letter_can_still_look_at_it(ready: Fleet) -> None:
    ready.person("OFF", "manager", ["MILL"], letters_off=True)
    assert read(run_bytes(ready, "OFF")).subject.startswith(
        "1 of 4 in service, 1 not to be relied on, 1 no evidence, 1 work due"
    )


def run_bytes(fleet: Fleet, person: str) -> bytes:
    from nightround.letters.audience import readers

    with fleet.program.store.read() as conn:
        (reader,) = [
            r
            for r in readers(conn, fleet.program.settings, ("manager",), at=fleet.program.clock())
            if r.person == person
        ]
        return weekly.letter_of(conn, fleet.program.settings, reader, "2026-W48", fleet.program.clock()).body
