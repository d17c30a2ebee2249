"""The real service holds out: against connections that say nothing, a clock that is set, work that hangs or fails."""

from __future__ import annotations

import asyncio
import json
import os
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from apscheduler.schedulers import base as scheduling
from apscheduler.triggers import date as triggers
from sqlalchemy import insert, select
from tests.acceptance.program import PATIENCE, Receiver, receiver
from tests.rounds.night.build import add_site, add_unit

from nightround import connections
from nightround.bootstrap import Program
from nightround.daemon import Service
from nightround.installation import install
from nightround.settings import Settings, load
from nightround.store.database import Store, open_store
from nightround.store.tables import messages, people, person_roles

# The service as `serve` runs it, with one thing of it that goes wrong.
WRONG = """
import sys, threading, time
from nightround import cli, daemon
what = sys.argv.pop(1)
if what == "hangs":
    daemon.look_round = lambda *given: threading.Event().wait()
elif what == "fails":
    def fail(*given):
        raise OSError("a tick that fails")
    daemon.look_round = fail
sys.exit(cli.run(["serve"]))
"""


class Running:
    """A running service, its address and its log."""

    def __init__(self, config: Path, *wrong: str, files: int = 0) -> None:
        started = [sys.executable, "-c", WRONG, *wrong] if wrong else [sys.executable, "-m", "nightround", "serve"]
        self.process = subprocess.Popen(
            started,
            env={**os.environ, "NIGHTROUND_CONFIG": str(config), "PYTHONUNBUFFERED": "1"},
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=(lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (files, files))) if files else None,
        )
        self.lines: list[dict[str, Any]] = []
        self._grown = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            with self._grown:
                self.lines.append(json.loads(line) if line.startswith("{") else {"act": line.strip()})
                self._grown.notify_all()

    def until(self, wanted: Callable[[list[dict[str, Any]]], bool]) -> None:
        """Waits until the log is as wanted."""
        deadline = time.monotonic() + PATIENCE
        with self._grown:
            while not wanted(self.lines):
                assert deadline > time.monotonic(), self.lines
                self._grown.wait(deadline - time.monotonic())

    def acts(self, what: str) -> list[dict[str, Any]]:
        return [line for line in self.lines if line["act"].startswith(what)]

    @property
    def address(self) -> tuple[str, int]:
        self.until(lambda lines: any(line["act"] == "serving" for line in lines))
        host, _, port = str(self.acts("serving")[0]["address"]).rpartition(":")
        return host, int(port)

    def ready(self) -> tuple[int, dict[str, Any]]:
        answer = httpx.get("http://{}:{}/readyz".format(*self.address), timeout=PATIENCE)
        return answer.status_code, answer.json()

    def end(self) -> float:
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE)
        return time.monotonic() - began


@pytest.fixture
def mail(tmp_path: Path) -> Iterator[Receiver]:
    with receiver(tmp_path) as running:
        yield running


@pytest.fixture
def installed(tmp_path: Path, mail: Receiver) -> Iterator[tuple[Path, Store]]:
    chosen = {
        "mail.host": "127.0.0.1", "mail.port": str(mail.port), "mail.security": "plain", "web.bind": "127.0.0.1:0",
        "rounds.tick_seconds": "1", "rounds.at": "00:00:00",
    }  # fmt: skip
    made = install(tmp_path / "fleet", chosen, datetime.now(UTC))
    store = open_store(load(made.settings).database_url())
    today = datetime.now(UTC).date()
    with store.write() as conn:
        site = add_site(conn, "MILL", "UTC")
        add_unit(conn, "MILL-01", site, looked_on=today, pads=today - timedelta(days=9))
        conn.execute(insert(people).values(id=1, person="ON", email="on@example.org", whole_fleet=True))
        conn.execute(insert(person_roles).values(person_id=1, role="on-call"))
    yield made.settings, store
    store.close()


def test_connections_that_say_nothing_do_not_stop_the_letters(installed: tuple[Path, Store], mail: Receiver) -> None:
    config, store = installed
    running = Running(config, files=200)
    address = running.address
    idle = [socket.create_connection(address) for _ in range(400)]
    try:
        deadline = time.monotonic() + PATIENCE
        while not mail.letters():
            assert time.monotonic() < deadline, running.lines
            assert running.process.poll() is None
            threading.Event().wait(0.1)
        with store.read() as conn:
            assert "sent" in conn.execute(select(messages.c.state)).scalars().all()
        held = len(os.listdir(f"/proc/{running.process.pid}/fd"))
        assert held < 200 - 40, "descriptors are kept for database and mail"
        assert 1 <= len(running.acts("connections refused")) <= 2
        assert not running.acts("tick failed")
        assert len([line for line in running.lines if "open files" in str(line)]) <= 2
    finally:
        for one in idle:
            one.close()
        assert running.end() < 10
    assert running.process.returncode == 0


def test_a_look_that_hangs_never_holds_up_the_end(installed: tuple[Path, Store]) -> None:
    config, _ = installed
    running = Running(config, "hangs")
    running.until(lambda lines: sum("passed over" in line["act"] or "skipped" in line["act"] for line in lines) >= 2)
    assert running.end() < 12
    assert running.process.returncode == 1
    assert running.acts("something did not end in its time")


def test_looks_that_fail_three_times_in_a_row_make_it_not_ready(installed: tuple[Path, Store]) -> None:
    config, _ = installed
    running = Running(config, "fails")
    running.until(lambda lines: sum(line["act"] == "tick failed" for line in lines) >= 4)
    status, said = running.ready()
    assert status == 503
    assert any("failed at its last" in reason for reason in said["reasons"])
    assert running.end() < 10


class _SetBack(datetime):
    """What a scheduler takes for the time of day, after somebody set the clock back by three hours."""

    by = timedelta()

    @classmethod
    def now(cls, tz: Any = None) -> datetime:
        return datetime.now(tz) - cls.by


@pytest.fixture
def quick(settings: Settings, sqlite_store: Store) -> Program:
    web = settings.web.model_copy(update={"bind": "127.0.0.1:0", "connections": 8})
    rounds = settings.rounds.model_copy(update={"tick_seconds": 1})
    here = settings.model_copy(update={"web": web, "rounds": rounds})
    return Program(here, sqlite_store, lambda: datetime.now(UTC))


def test_a_clock_that_is_set_back_does_not_stop_the_looks(quick: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (scheduling, triggers):
        monkeypatch.setattr(module, "datetime", _SetBack)
    monkeypatch.setattr(_SetBack, "by", timedelta())

    async def main() -> None:
        service = Service(quick)
        looked, again = 0, asyncio.Event()
        tick = service.tick

        async def counted() -> None:
            nonlocal looked
            await tick()
            looked += 1
            if looked == 2:
                _SetBack.by = timedelta(hours=3)
            elif looked == 4:
                again.set()

        service.tick = counted  # type: ignore[method-assign]
        running = asyncio.create_task(service.run())
        async with asyncio.timeout(30):
            await again.wait()
        service.stop()
        await running

    asyncio.run(main())


async def _closed(reader: asyncio.StreamReader) -> bytes:
    """What comes until the other side ends the connection."""
    try:
        async with asyncio.timeout(20):
            return await reader.read()
    except ConnectionResetError:
        return b""


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET /healthz HTTP/1.1\r\nHost: a\r\nX-Long",
        b"GET /healthz HTTP/1.1\r\nHost: a\r\n\r\nGET /hea",
        b"POST /healthz HTTP/1.1\r\nHost: a\r\nContent-Length: 1000\r\n\r\nx",
    ],
    ids=["nothing", "half a head", "half of a second head", "half a body"],
)
def test_what_does_not_come_in_time_is_not_waited_for(
    said: bytes, quick: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert connections.HEAD_SECONDS == 10
    monkeypatch.setattr(connections, "HEAD_SECONDS", 0.5)
    monkeypatch.setattr(connections, "BODY_SECONDS", 0.5)

    async def main() -> None:
        service = Service(quick)
        running = asyncio.create_task(service.run())
        await service.ready.wait()
        assert service.address is not None
        reader, writer = await asyncio.open_connection(*service.address)
        writer.write(said)
        answer = await _closed(reader)
        assert (b"alive" in answer) == (b"\r\n\r\nGET" in said)
        # One that asks as it should is served meanwhile, twice on one connection.
        reader, writer = await asyncio.open_connection(*service.address)
        for _ in range(2):
            writer.write(b"GET /healthz HTTP/1.1\r\nHost: a\r\n\r\n")
            assert b"alive" in await reader.readuntil(b'"}')
        writer.close()
        service.stop()
        await running

    asyncio.run(main())
