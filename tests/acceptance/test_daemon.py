"""The real service in its own process: it runs the round, writes and sends the letters, answers, and ends when told."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select
from tests.acceptance.program import PATIENCE, Receiver, receiver
from tests.rounds.night.build import add_site, add_unit

from nightround.installation import install
from nightround.settings import load
from nightround.store.database import Store, open_store
from nightround.store.tables import evidence, ledger, messages, people, person_roles


class Running:
    """A running service: its address, and its log line by line."""

    def __init__(self, config: Path) -> None:
        environment = {**os.environ, "NIGHTROUND_CONFIG": str(config), "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "nightround", "serve"],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.lines: list[dict[str, Any]] = []
        self.raw: list[str] = []
        self._grown = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            with self._grown:
                self.raw.append(line)
                if line.startswith("{"):
                    self.lines.append(json.loads(line))
                self._grown.notify_all()
        with self._grown:
            self._grown.notify_all()

    def line(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The first log line of that kind, waiting for it."""
        deadline = time.monotonic() + PATIENCE
        with self._grown:
            while True:
                for line in self.lines:
                    if wanted(line):
                        return line
                left = deadline - time.monotonic()
                assert left > 0, "".join(self.raw)
                assert self.process.poll() is None, "".join(self.raw)
                self._grown.wait(left)

    def get(self, path: str) -> tuple[int, str]:
        address = self.line(lambda line: line["act"] == "serving")["address"]
        try:
            with urllib.request.urlopen(f"http://{address}{path}", timeout=PATIENCE) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode()

    def end(self, number: int = signal.SIGTERM) -> float:
        """Asks the service to stop; gives the seconds that it took."""
        started = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(PATIENCE)
        return time.monotonic() - started


@pytest.fixture
def mail(tmp_path: Path) -> Iterator[Receiver]:
    with receiver(tmp_path) as running:
        yield running


@pytest.fixture
def installed(tmp_path: Path, mail: Receiver) -> Iterator[tuple[Path, Store]]:
    chosen = {
        "mail.host": "127.0.0.1",
        "mail.port": str(mail.port),
        "mail.security": "plain",
        "web.bind": "127.0.0.1:0",
        "rounds.tick_seconds": "1",
        "rounds.at": "00:00:00",
    }
    made = install(tmp_path / "fleet", chosen, datetime.now(UTC))
    store = open_store(load(made.settings).database_url())
    today = datetime.now(UTC).date()
    with store.write() as conn:
        site = add_site(conn, "MILL", "UTC")
        add_unit(conn, "MILL-01", site, looked_on=today, pads=today + timedelta(days=900))
        add_unit(conn, "MILL-02", site, looked_on=today, pads=today - timedelta(days=9))
        for number, (code, role) in enumerate([("ONCALL", "on-call"), ("BOSS", "manager")], 1):
            address = f"{code.lower()}@example.org"
            conn.execute(
                insert(people).values(id=number, person=code, name=code.title(), email=address, whole_fleet=True)
            )
            conn.execute(insert(person_roles).values(person_id=number, role=role))
    yield made.settings, store
    store.close()


def test_the_service_does_the_night_by_itself_and_ends_when_told(installed: tuple[Path, Store], mail: Receiver) -> None:
    config, store = installed
    running = Running(config)
    try:
        running.line(lambda line: line["act"] == "round done")
        _settled(store)
        assert running.get("/healthz")[0] == 200
        assert running.get("/readyz")[0] == 200
        assert "nightround" in running.get("/metrics")[1]
    finally:
        seconds = running.end()
    assert running.process.returncode == 0, "".join(running.raw)
    assert seconds < 10
    assert running.lines[-1]["act"] == "stopped"
    with store.read() as conn:
        assert conn.execute(select(ledger.c.state)).scalars().all() == ["done"]
        states = set(conn.execute(select(messages.c.state)).scalars())
        sent = conn.execute(select(messages.c.message_id).where(messages.c.state == "sent")).scalars().all()
    assert states <= {"sent", "waiting"}
    letters = mail.letters()
    assert any("MILL-02" in letter.as_string() for letter in letters)
    ids = [str(letter["Message-ID"]) for letter in letters]
    assert sorted(ids) == sorted(sent)
    assert len(ids) == len(set(ids))


def test_a_second_start_repeats_nothing(installed: tuple[Path, Store], mail: Receiver) -> None:
    config, store = installed
    for _ in range(2):
        running = Running(config)
        running.line(lambda line: line["act"] == "serving")
        _settled(store)
        assert running.end() < 10
    with store.read() as conn:
        assert len(conn.execute(select(ledger.c.id)).all()) == 1
        count = len(conn.execute(select(messages.c.id)).all())
    assert len(mail.letters()) == count > 0


def test_a_killed_service_is_made_good_by_the_next(installed: tuple[Path, Store], mail: Receiver) -> None:
    config, store = installed
    running = Running(config)
    running.line(lambda line: line["act"] == "serving")
    running.process.kill()
    running.process.wait(PATIENCE)
    with store.write() as conn:  # as a quarter of an hour later: the leases of the dead have run out
        past = datetime.now(UTC) - timedelta(minutes=1)
        conn.execute(ledger.update().where(ledger.c.state == "running").values(lease_until=past))
        conn.execute(messages.update().where(messages.c.state == "sending").values(lease_until=past))
    again = Running(config)
    try:
        again.line(lambda line: line["act"] == "serving")
        _settled(store)
    finally:
        again.end()
    ids = [str(letter["Message-ID"]) for letter in mail.letters()]
    with store.read() as conn:
        assert set(ids) == set(conn.execute(select(messages.c.message_id)).scalars())
        assert conn.execute(select(ledger.c.state)).scalars().all() == ["done"]


def test_a_taken_address_is_said_in_one_sentence(installed: tuple[Path, Store]) -> None:
    config, _ = installed
    running = Running(config)
    address = running.line(lambda line: line["act"] == "serving")["address"]
    try:
        second = subprocess.run(
            [sys.executable, "-m", "nightround", "--config", str(config), "serve"],
            env={**os.environ, "NIGHTROUND_WEB_BIND": address},
            capture_output=True,
            text=True,
            timeout=PATIENCE,
            check=False,
        )
    finally:
        running.end()
    assert second.returncode == 2
    assert f"web.bind: {address} cannot be listened on" in second.stderr
    assert "Traceback" not in second.stderr


def _settled(store: Store) -> None:
    """Waits until the ledger is done and no letter is on its way, watching the database."""
    deadline = time.monotonic() + PATIENCE
    while time.monotonic() < deadline:
        with store.read() as conn:
            rounds = conn.execute(select(ledger.c.state)).scalars().all()
            letters = conn.execute(select(messages.c.state)).scalars().all()
            known = conn.execute(select(evidence.c.unit_id)).all()
        if known and rounds == ["done"] and letters and set(letters) == {"sent"}:
            return
        threading.Event().wait(0.05)
    raise AssertionError("the service did not finish its night")
