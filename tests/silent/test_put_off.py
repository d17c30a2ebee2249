"""A letter that the mail server does not take: seen by whoever looks, with the server's words, and told on at once."""

from __future__ import annotations

import asyncio
import json
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from nightround import cli
from nightround.bootstrap import Program
from nightround.daemon import Service
from nightround.installation import install
from nightround.letters import telling
from nightround.letters.delivery import deliver
from nightround.store.tables import messages
from tests.letters.contents.build import Fleet
from tests.letters.contents.conftest import _nothing_reported_yet  # noqa: F401
from tests.letters.contents.test_telling import two_cases
from tests.letters.post.build import letter, office, post, states
from tests.letters.post.faulty import Fault, Faulty, Script

from ..conftest import START, Clock

BUSY = Fault("RCPT", b"451 4.2.1 mailbox of the caretaker is full")
NOBODY = Fault("RCPT", b"550 5.1.1 nobody here")

FILES = {
    "sites": "site,name,time_zone,country\nMILL,Mill Lane School,Europe/London,GB\n",
    "units": "unit,site,spot,in_service_on\nM1,MILL,Sports hall,2025-01-01\n",
    "people": "person,name,email,roles,sites\n"
    "ON,Person ON,on@example.org,on-call,MILL\n"
    "CO,Person CO,co@example.org,coordinator,MILL\n"
    "MA,Person MA,ma@example.org,manager,MILL\n",
}


def at_on(fault: Fault) -> Script:
    return lambda to, stage: fault if stage == fault.stage and to == "on@example.org" else None


class Desk:
    """The program's commands on a small fleet whose first letters have arrived."""

    def __init__(self, folder: Path, server: Faulty, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys
        chosen = {"mail.host": "127.0.0.1", "mail.port": str(server.port), "mail.security": "plain"}
        self._settings = install(folder / "fleet", chosen, START).settings
        (folder / "import").mkdir()
        for name, text in FILES.items():
            (folder / "import" / f"{name}.csv").write_text(text, "utf-8")
        self.run("import", str(folder / "import"))
        self.run("round")
        self.run("deliver")

    def run(self, *arguments: str) -> tuple[int, str]:
        status = cli.run(["--config", str(self._settings), *arguments])
        return status, self._capsys.readouterr().out

    def answer(self, *arguments: str) -> Any:
        return json.loads(self.run("--json", *arguments)[1])

    def fault(self) -> None:
        """Something new that somebody must hear of."""
        self.run("log", "M1", "fault", "--by", "MA", "--note", "it beeps")
        self.run("round")


def test_a_letter_put_off_is_shown_with_the_servers_words_and_its_next_try(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Faulty() as server:
        desk = Desk(tmp_path, server, capsys)
        server.script = at_on(BUSY)
        desk.fault()
        status, text = desk.run("deliver")
        assert status == 0
        assert "451 4.2.1 mailbox of the caretaker is full" in text
        assert "on@example.org" in text
        (seen,) = desk.answer("deliver")["put_off"]
        assert (seen["to"], seen["person"], seen["tries"]) == ("on@example.org", "ON", 1)
        assert seen["answer"] == "RCPT: 451 4.2.1 mailbox of the caretaker is full"
        assert seen["failing_since"] < seen["next_try_at"] < seen["given_up_at"]
        assert desk.answer("today")["put_off"] == [seen]
        text = desk.run("today")[1]
        assert "451 4.2.1 mailbox of the caretaker is full" in text
        assert "Person ON" in text
        found = desk.answer("verify")
        (finding,) = [one for one in found if one["where"] == "letter to Person ON (ON)"]
        assert "451 4.2.1 mailbox of the caretaker is full" in finding["found"]
        assert "next try" in finding["found"]


def test_a_letter_given_up_opens_its_case_and_tells_the_next_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Faulty() as server:
        desk = Desk(tmp_path, server, capsys)
        server.kept.acknowledged.clear()
        server.script = at_on(NOBODY)
        desk.fault()
        done = desk.answer("deliver")
        assert [one["to"] for one in done["given_up"]] == ["on@example.org"]
        assert "co@example.org" in server.kept.acknowledged
        assert done["sent"] == sum(map(len, server.kept.acknowledged.values()))
    (case,) = [one for one in desk.answer("cases") if one["kind"] == "mail-given-up"]
    assert (case["person"], case["state"]) == ("ON", "open")
    assert "550 5.1.1 nobody here" in case["reasons"][0]
    (fault,) = [one["case"] for one in desk.answer("cases") if one["kind"] == "fault"]
    history = desk.answer("cases", "--case", str(fault))["history"]
    assert {"what": "not reached", "said": "Person ON: RCPT: 550 5.1.1 nobody here"}.items() <= history[-2].items()


def test_the_case_is_there_although_the_process_dies_after_the_letter(program: Program) -> None:
    """Written down together: what became of the letter, and that somebody cannot be reached."""
    fleet = two_cases(Fleet(program))
    fleet.person("CO", "coordinator", whole=True)
    with Faulty(at_on(NOBODY)) as server:
        here = office(program, server.port)
        telling.tell(here, program.clock())
        deliver(here)  # and nothing else
    with program.store.read() as conn:
        from nightround.cases import listing

        kinds = [case["kind"] for case in listing.listed(conn, START, listing.Which.OPEN)]
    assert "mail-given-up" in kinds


def told(program: Program, address: str) -> str:
    """The text of the last letter to somebody."""
    query = select(messages.c.body).where(messages.c.to_address == address).order_by(messages.c.id.desc()).limit(1)
    with program.store.read() as conn:
        message = message_from_bytes(conn.execute(query).scalar_one(), policy=default)
    body = message.get_body(("plain",))
    assert body is not None
    return " ".join(body.get_content().split())


def test_who_else_knows_says_whose_letter_has_not_arrived(program: Program, clock: Clock) -> None:
    fleet = two_cases(Fleet(program))
    fleet.case("M2", "fault", reason="fault since 2026-11-24: it beeps", severity="urgent")
    fleet.person("CO", "coordinator", whole=True)
    with Faulty(at_on(BUSY)) as server:
        here = office(program, server.port, urgent_give_up_hours=9)
        for _ in range(10):
            telling.tell(here, clock.now)
            deliver(here)
            if "co@example.org" in server.kept.acknowledged:
                break
            clock.forward(minutes=30)
        said = told(here, "co@example.org")
        assert "Person ON (the letter has not arrived yet)" in said
        assert "Who else knows: Person ON." not in said


def test_who_is_told_with_you_is_named_as_not_reached_where_no_letter_gets_through(
    program: Program, clock: Clock
) -> None:
    fleet = two_cases(Fleet(program))
    fleet.person("ZO", "on-call", whole=True)
    with Faulty(at_on(BUSY)) as server:
        here = office(program, server.port)
        telling.tell(here, clock.now)
        deliver(here)
        clock.forward(minutes=5)
        fleet.unit("M3", "MILL", "not to be relied on", "fault since 2026-11-25: no light")
        fleet.case("M3", "not-to-be-relied-on", reason="fault since 2026-11-25: no light")
        telling.tell(here, clock.now)
        said = told(here, "zo@example.org")
    assert "Person ON (an earlier letter has not arrived)" in said
    assert "Who else knows: Person ON." not in said


def test_a_letter_that_hangs_does_not_hold_up_the_next_look(one_service: Program) -> None:
    """The service writes and sends what is new while the server says nothing about an older letter."""
    hangs = Fault("RCPT", None, "silent")
    with Faulty(at_on(hangs)) as server, asyncio.Runner() as runner:
        here = office(one_service, server.port, host="127.0.0.1", timeout_scale=0.05)  # 15 s for RCPT
        service = Service(here)

        async def both() -> None:
            post(here, letter("x", to="on@example.org"))
            await service.tick()
            post(here, letter("y"))
            await service.tick()
            assert list(server.kept.acknowledged) == ["y@example.org"]
            assert states(here) == {"x": "sending", "y": "sent"}
            service.stop()
            await service.sent()

        runner.run(both())
    assert states(here) == {"x": "waiting", "y": "sent"}


@pytest.fixture
def one_service(settings: Any, sqlite_store: Any, clock: Clock) -> Program:
    return Program(settings, sqlite_store, clock)
