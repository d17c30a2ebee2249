"""Through the program's own files and commands: an urgent fault is told at once, whatever else an hour has brought."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from nightround import cli
from nightround.bootstrap import Program
from nightround.settings import load
from nightround.store.database import Store
from nightround.store.tables import messages
from nightround.sweeping import look_round

from ...conftest import Clock
from ..post.receiver import Receiver
from .build import Mail, at, flat, read

UNITS = [f"M{number}" for number in range(1, 9)]


class Desktop:
    """The program as its operator has it: files, commands, and the tick of the service."""

    def __init__(self, folder: Path, store: Store, clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.clock, self._capsys = folder, clock, capsys
        self.program = Program(load(folder / "nightround.toml"), store, clock)

    def asks(self, *words: str, status: int = 0) -> str:
        assert cli.run(["--config", str(self.folder / "nightround.toml"), *words], clock=self.clock) == status
        return self._capsys.readouterr().out

    def json(self, *words: str, status: int = 0) -> Any:
        return json.loads(self.asks("--json", *words, status=status))

    def looks(self, minutes: float = 1) -> list[Mail]:
        """The letters that the next look of the service writes, as their readers see them; they go out."""
        self.clock.forward(minutes=minutes)
        before = len(self.letters())
        look_round(self.program)
        self.asks("deliver")
        return self.letters()[before:]

    def letters(self) -> list[Mail]:
        """All that were written, the oldest first."""
        query = select(messages.c.key, messages.c.body, messages.c.kind, messages.c.urgent).order_by(messages.c.id)
        with self.program.store.read() as conn:
            return [read(body, key, kind, urgent) for key, body, kind, urgent in conn.execute(query)]


def kinds(letters: list[Mail]) -> list[tuple[str, str]]:
    return [(mail.kind, mail.to.partition(" ")[0]) for mail in letters]


@pytest.fixture
def desk(
    tmp_path: Path,
    sqlite_store: Store,
    clock: Clock,
    capsys: pytest.CaptureFixture[str],
) -> Iterator[Desktop]:
    """An installation without anything in it yet, at ten in the morning, with a mail server that takes every letter."""
    clock.now = at(10)
    (tmp_path / "nightround.key").write_bytes(b"k" * 43)
    with Receiver() as mail:
        (tmp_path / "nightround.toml").write_text(
            f'[mail]\nsecurity = "plain"\nhost = "127.0.0.1"\nport = {mail.port}\n'
            '[fleet]\nname = "Test fleet"\ntime_zone = "Europe/London"\n[watch]\nfree_mb = 0\n',
            "utf-8",
        )
        yield Desktop(tmp_path, sqlite_store, clock, capsys)


@pytest.fixture
def mill(desk: Desktop) -> Desktop:
    """Eight units at one school, checked yesterday, but the first, whose pads have been past their date since June."""
    return furnished(desk, UNITS, lambda unit: unit == "M1")


def furnished(desk: Desktop, units: list[str], past: Callable[[str], bool], seen: str = "self-test=ok") -> Desktop:
    """Imports those units of one school with somebody on call and a coordinator; `past` says whose pads are."""
    folder = desk.folder
    files = folder / "files"
    files.mkdir()

    def write(name: str, *lines: str) -> None:
        (files / f"{name}.csv").write_text("\n".join(lines) + "\n", "utf-8")

    write("sites", "site,name,time_zone,country,subdivision", "MILL,Mill Lane School,Europe/London,GB,ENG")
    write("units", "unit,site,spot,model,in_service_on", *(f"{u},MILL,hall,Orrel Twin,2025-01-01" for u in units))
    write(
        "parts",
        "unit,kind,state,lot,label_date,fitted_on",
        *(f"{u},pads-adult,fitted,A,{'2026-06-30' if past(u) else '2028-10-31'},2025-01-01" for u in units),
        *(f"{u},battery,fitted,B,2029-03-31,2025-01-01" for u in units),
    )
    write(
        "people",
        "person,name,email,roles,sites",
        "on,Onno Call,on@example.org,on-call,MILL",
        "co,Cora Desk,co@example.org,coordinator,*",
    )
    good = f"scope=inspection; {seen}; pads=ok; damage=none"
    write("log", "unit,at,entry,by,readings", *(f"{u},2026-11-24T12:00:00Z,check,on,{good}" for u in units))
    desk.asks("import", str(files))
    return desk


def test_six_letters_in_the_hour_do_not_keep_an_urgent_fault_from_anybody(mill: Desktop) -> None:
    """As it was seen: opening, three escalations and two "closed" within the hour, then a fault that reached nobody."""
    assert ("opening", "Onno") in kinds(mill.looks())
    for unit in ("M2", "M3", "M4"):
        mill.asks("log", unit, "fault", "--note", "it beeps", "--by", "co")
        assert ("escalation", "Onno") in kinds(mill.looks())
    for unit in ("M2", "M3"):
        mill.asks("log", unit, "check", "--by", "on", "--reading", "self-test=ok")
        assert ("closing", "Onno") in kinds(mill.looks())
    mill.asks("log", "M5", "fault", "--note", "no light", "--by", "co")
    told = mill.looks()
    assert ("escalation", "Onno") in kinds(told)
    assert "M5" in told[0].subject


def test_every_further_urgent_fault_of_the_hour_comes_at_once_and_to_the_next_on_the_ladder_too(mill: Desktop) -> None:
    mill.looks()
    told = []
    for unit in UNITS:
        mill.asks("log", unit, "fault", "--note", "it beeps", "--by", "co")
        told.append([who for kind, who in kinds(mill.looks()) if kind == "escalation"])
    # Six urgent letters are the limit of an hour: whoever has had them is told all the same, and not alone.
    assert told == [["Onno"]] * 6 + [["Cora", "Onno"]] * 2
    last = mill.letters()[-2]
    assert last.to.startswith("Cora")
    assert "You get this because Onno Call has had many urgent letters within the hour and you are coordinator" in flat(
        last.text
    )
    assert mill.json("today", status=3)["held_back"] is None


def test_twenty_units_with_a_fault_and_expired_pads_are_twenty_units_each_told_once(desk: Desktop) -> None:
    """They were called forty units: each has two urgent cases."""
    units = [f"T{number:02}" for number in range(1, 21)]
    fleet = furnished(desk, units, lambda unit: True, "self-test=fault")
    letters = [mail for mail in fleet.looks() if mail.kind == "opening"]
    letters += [mail for mail in fleet.looks(45 * 60) if mail.kind == "escalation"]
    assert {(mail.kind, mail.to.partition(" ")[0]) for mail in letters} >= {("opening", "Cora"), ("escalation", "Onno")}
    for mail in letters:
        text = flat(mail.text)
        assert "20 units not to be relied on" in mail.subject, mail.subject
        assert "20 units are not to be relied on" in text or "20 units not to be relied on" in text
        shown = text.count("NOT TO BE RELIED ON: T")
        assert text.count("NOT TO BE RELIED ON: T01") == 1
        assert text.count("Say that you have it") == text.count(" Cases ") == shown
        assert "label date" in text and "fault" in text.lower()
        if shown < 20:
            assert f"and {40 - 2 * shown} more" in text
    today = fleet.json("today", status=3)
    assert sum(today["conditions"].values()) == today["units"] == 20
    assert today["conditions"]["not to be relied on"] == 20


def test_the_five_conditions_add_up_to_the_units_before_any_round_too(mill: Desktop) -> None:
    for _ in range(2):
        today = mill.json("today", status=3)
        assert sum(today["conditions"].values()) == today["units"] == len(UNITS)
        mill.looks()
    weekly = next(mail for mail in mill.letters() if mail.kind == "weekly")
    states = {word: number for word, number in mill.json("today", status=3)["conditions"].items() if number}
    assert weekly.subject.startswith(f"{states.get('in service', 0)} of {len(UNITS)} in service, ")
    for word, number in states.items():
        assert f"{number} {word}" in weekly.subject or word == "in service"


def test_an_escalation_about_a_use_says_its_minutes_shocks_and_note(mill: Desktop) -> None:
    mill.looks()
    mill.asks(
        "log", "M2", "used", "--by", "co", "--reading", "cpr-minutes=7", "--reading", "shocks=2",
        "--reading", "mode=adult", "--note", "handed to the crew at the gate",
    )  # fmt: skip
    (told,) = [mail for mail in mill.looks() if mail.kind == "escalation"]
    text = flat(told.text)
    assert "Minutes of CPR: 7. Shocks given: 2." in text
    assert "Note: handed to the crew at the gate" in text
    assert "Minutes of CPR: 7. Shocks given: 2." in flat(told.html)
    assert "crew at the gate" not in told.subject and "shock" not in told.subject.lower()


def test_what_was_recorded_of_a_use_goes_to_nobody_who_does_not_look_after_the_unit(mill: Desktop) -> None:
    """A manager reads that it is on the page, which asks who they are."""
    mill.asks("import", str(_people(mill, "ma,Mara Ledger,ma@example.org,manager,MILL")))
    mill.looks()
    mill.asks("log", "M2", "used", "--by", "co", "--reading", "cpr-minutes=7", "--note", "at the gate")
    mill.looks()
    mill.looks(5 * 60)
    told = [mail for mail in mill.looks(21 * 60) if mail.to.startswith("Mara") and "M2" in mail.text]
    assert told
    for mail in told:
        assert "at the gate" not in mail.text + mail.html and "Minutes of CPR" not in mail.text
        assert "What was recorded of the use is on the unit's page." in flat(mail.text)


def test_a_use_of_which_nothing_was_recorded_says_so_and_a_struck_one_nothing(mill: Desktop) -> None:
    mill.looks()
    mill.asks("log", "M3", "used", "--by", "co", "--reading", "cpr-minutes=9", "--note", "another unit")
    entry = max(row["id"] for row in mill.json("history", "M3"))
    mill.asks("strike", str(entry), "--why", "it was M2")
    mill.asks("log", "M3", "used", "--by", "co")
    (told,) = [mail for mail in mill.looks() if mail.kind == "escalation"]
    text = flat(told.text)
    assert "Minutes of CPR: not recorded. Shocks given: not recorded." in text
    assert "another unit" not in text


def _people(mill: Desktop, *rows: str) -> Path:
    folder = mill.folder / f"more{len(rows)}"
    folder.mkdir()
    (folder / "people.csv").write_text("\n".join(("person,name,email,roles,sites", *rows)) + "\n", "utf-8")
    return folder
