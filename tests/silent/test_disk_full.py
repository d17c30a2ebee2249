"""A disk without room: nothing is half-written, what still works says so, and with room again all is made up for.

SQLite gives the same error (SQLITE_FULL) where a database may not grow beyond a number of pages; that number is set on
the database under test, and nothing else stands in for the disk.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import Connection, event, func, select, text
from sqlalchemy.exc import DBAPIError, OperationalError
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround import cli
from nightround.bootstrap import Program
from nightround.daemon import Service
from nightround.installation import install
from nightround.letters import hold
from nightround.letters.delivery import deliver
from nightround.pages import health
from nightround.rounds.tonight import run_owed
from nightround.settings import Settings
from nightround.store import happenings
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate
from nightround.store.tables import ledger, units
from tests.letters.post.build import letter, office, post, rows, states
from tests.letters.post.receiver import Receiver
from tests.rounds.night.build import add_site, add_unit, everything

from ..conftest import NAMESPACE, START, Clock

MOST = 2**30


class Disk:
    """The disk under an SQLite database; while `full` is set it gives no further page."""

    def __init__(self, store: Store) -> None:
        self.full = False
        event.listen(store.engine, "begin", self._limit)

    def _limit(self, conn: Connection) -> None:
        # The limit never falls below what the database has already.
        conn.exec_driver_sql(f"PRAGMA max_page_count = {1 if self.full else MOST}")


@pytest.fixture
def program(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    with sqlite_store.write() as conn:
        site = add_site(conn, "MILL")
        for number in range(200):
            add_unit(conn, f"MILL-{number:03}", site)
    return Program(settings, sqlite_store, clock)


@pytest.fixture
def disk(program: Program) -> Disk:
    return Disk(program.store)


def test_a_round_that_finds_no_room_writes_no_half_batch_and_is_made_up_for(
    program: Program, disk: Disk, tmp_path: Path
) -> None:
    before = everything(program.store)
    disk.full = True
    with pytest.raises(OperationalError, match="full"):
        run_owed(program)
    assert program.store.full
    assert everything(program.store) == before
    disk.full = False
    with program.store.write() as conn:
        conn.execute(ledger.update().values(lease_until=START))
    run_owed(program)
    with program.store.read() as conn:
        assert conn.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"
    # The same as on a disk that was never full.
    other = open_store(f"sqlite:///{tmp_path}/other.db")
    migrate(other, START, namespace=NAMESPACE)
    with other.write() as conn:
        site = add_site(conn, "MILL")
        for number in range(200):
            add_unit(conn, f"MILL-{number:03}", site)
    run_owed(Program(program.settings, other, program.clock))
    assert everything(other) == everything(program.store)
    other.close()


def test_a_service_on_a_full_disk_stays_up_and_says_so_and_afterwards_what_happened(
    program: Program, disk: Disk, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    web = TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000))
    with Receiver() as receiver, asyncio.Runner() as runner:
        service = Service(office(program, receiver.port))

        def tick() -> None:
            caplog.clear()
            runner.run(service.tick())

        disk.full = True
        for _ in range(3):
            tick()
            errors = [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR]
            assert "tick failed" in errors
            clock.forward(minutes=20)
        answer = web.get("/readyz")
        assert answer.status_code == 503
        assert "The disk is full: nothing can be written down." in answer.json()["reasons"]
        assert web.get("/healthz").status_code == 200
        assert 'nightround_troubles{kind="disk-full"} 1.0' in web.get("/metrics").text
        disk.full = False
        tick()
        assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == [
            "The disk was full from 2026-11-25 09:00 (UTC) to 2026-11-25 10:00 (UTC): nothing could be written down."
        ]
    assert not program.store.full
    assert web.get("/readyz").status_code == 200
    with program.store.read() as conn:
        (happened,) = happenings.since(conn, START)
        assert (happened.kind, happened.at) == (happenings.Kind.DISK_FULL, clock.now)
        assert conn.execute(select(ledger.c.state)).scalars().all() == ["done"]


def test_the_first_words_about_a_full_disk_are_in_the_log_at_once(
    program: Program, disk: Disk, caplog: pytest.LogCaptureFixture
) -> None:
    disk.full = True
    service = Service(program)
    asyncio.run(service.tick())
    said = [record.getMessage() for record in caplog.records if record.name == "nightround.sweeping"]
    assert said[0] == "The disk is full: nothing can be written down."


def test_a_letter_that_went_is_not_sent_again_because_that_could_not_be_written(
    program: Program, disk: Disk, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hold, "WRITE_AGAIN", (0.0,))
    long = "x" * 450  # what the server says is written down, and finds no room
    names = [f"n{number:02}" for number in range(40)]
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, *(letter(name) for name in names))

        def fills_up() -> None:
            disk.full = True

        receiver.meanwhile = fills_up
        receiver.says["RCPT"] = lambda to: f"550 5.1.1 {long}" if to > "n02" else None
        with pytest.raises(OperationalError, match="full"):
            deliver(here)
        for _ in range(4):
            clock.now += hold.LEASE
            with pytest.raises(OperationalError, match="full"):
                deliver(here)
        disk.full = False
        receiver.meanwhile = lambda: None
        receiver.says.clear()
        clock.now += hold.LEASE
        deliver(here)
    assert max(Counter(receiver.message_ids()).values()) == 1
    ended = states(program)
    assert {ended[name] for name in names} == {"sent", "given up"}
    assert all(ended[to.partition("@")[0]] == "sent" for to in receiver.recipients())
    for name, row in rows(program).items():
        assert (row.state == "given up") == (long in row.last_answer), name


def test_a_command_on_a_full_disk_fails_in_one_sentence_and_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = install(tmp_path / "fleet", {}, START)
    (tmp_path / "units.csv").write_text("unit,site\n" + "".join(f"M-{n:04},MILL\n" for n in range(3000)), "utf-8")
    stores: list[Store] = []

    def limited(url: str) -> Store:
        store = open_store(url)
        Disk(store).full = True
        stores.append(store)
        return store

    monkeypatch.setattr("nightround.store.database.open_store", limited)
    assert cli.run(["--config", str(made.settings), "import", str(tmp_path / "units.csv")]) == 1
    said = capsys.readouterr().err
    assert said == (
        "nightround: the disk of the database is full, so that this was not written; make room and run it again\n"
    )
    with stores[0].read() as conn:
        assert conn.execute(select(func.count()).select_from(units)).scalar_one() == 0


def test_the_full_disk_of_a_database_server_is_known_as_well(database_of: Callable[[str], str]) -> None:
    store = open_store(database_of("postgresql"))
    # A real error of a real server, with the state that it has for a full disk (PostgreSQL, appendix A: 53100).
    raised = "DO $$ BEGIN RAISE EXCEPTION 'no space left on device' USING ERRCODE = '53100'; END $$"
    with pytest.raises(DBAPIError), store.write() as conn:
        conn.execute(text(raised))
    assert store.full
    assert store.has_room()
    assert not store.full
    with pytest.raises(DBAPIError), store.write() as conn:
        conn.execute(text("SELECT 1/0"))
    assert not store.full
    store.close()
