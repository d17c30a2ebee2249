"""`deliver` on the command line, and the test letter of `verify`."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from nightround import cli
from nightround.bootstrap import Program
from nightround.commands.post import _stopped_by_signals, post_test
from nightround.errors import UserError
from nightround.settings import Settings
from nightround.store.database import Store

from ...conftest import Clock
from .build import letter, office, post, rows, states
from .receiver import Receiver


@pytest.fixture
def program(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    return Program(settings, sqlite_store, clock)


def configured(folder: Path, port: int) -> Path:
    """A settings file for the database of `sqlite_store`, beside it."""
    file = folder / "nightround.toml"
    file.write_text(f'[mail]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "plain"\n', "utf-8")
    return file


def test_it_says_what_was_sent_what_waits_and_what_was_given_up(
    program: Program, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver() as receiver:
        file = configured(tmp_path, receiver.port)
        post(program, letter("a"), letter("b"), letter("c"))
        receiver.says["RCPT"] = lambda to: {"b@example.org": "550 nobody", "c@example.org": "450 busy"}.get(to)
        assert cli.run(["--config", str(file), "--json", "deliver"]) == 3
    answer = json.loads(capsys.readouterr().out)
    assert [(one["key"], one["answer"]) for one in answer.pop("put_off")] == [("c", "RCPT: 450 busy")]
    assert answer == {
        "sent": 1,
        "waiting": 1,
        "given_up": [{"key": "b", "to": "b@example.org", "answer": "RCPT: 550 nobody"}],
        "trouble": "",
    }


def test_an_empty_letter_box_is_good_and_asks_no_server(
    program: Program, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = configured(tmp_path, 1)
    assert cli.run(["--config", str(file), "deliver"]) == 0
    assert capsys.readouterr().out == "sent 0, waiting 0, given up 0\n"
    assert states(program) == {}


def test_a_server_that_is_not_there_is_said_with_a_cure_and_is_a_failure(
    program: Program, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        file = configured(tmp_path, nobody.getsockname()[1])
    post(program, letter("a"))
    assert cli.run(["--config", str(file), "deliver"]) == 1
    out, err = capsys.readouterr()
    assert out.startswith("sent 0, waiting 1, given up 0\n")
    assert "a@example.org\tconnect: Connection refused\t" in out
    assert "check mail.host and mail.port" in err
    assert states(program) == {"a": "waiting"}


def test_asked_for_now_it_sends_what_the_server_put_off(
    program: Program, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Receiver() as receiver:
        file = configured(tmp_path, receiver.port)
        post(program, letter("a"))
        receiver.says["DATA"] = lambda _to: "451 later"
        assert cli.run(["--config", str(file), "deliver"]) == 0
        receiver.says.clear()
        assert cli.run(["--config", str(file), "deliver"]) == 0
        assert cli.run(["--config", str(file), "deliver", "--now"]) == 0
    out = [line for line in capsys.readouterr().out.splitlines() if line.startswith("sent")]
    assert out == ["sent 0, waiting 1, given up 0"] * 2 + ["sent 1, waiting 0, given up 0"]


def test_sigterm_lets_the_letter_in_hand_arrive_and_leaves_the_rest(program: Program, tmp_path: Path) -> None:
    count = 400
    post(program, *(letter(f"n{number}") for number in range(count)))
    with Receiver() as receiver:
        file = configured(tmp_path, receiver.port)
        running = subprocess.Popen(
            [sys.executable, "-m", "nightround", "--config", str(file), "deliver"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        receiver.meanwhile = running.terminate
        out, said = running.communicate(timeout=30)
    sent = len(receiver.letters)
    assert running.returncode == 0, said.decode()
    assert 1 <= sent < count
    assert len(receiver.offered) == sent
    assert out.decode() == f"sent {sent}, waiting {count - sent}, given up 0\n"
    assert sorted(states(program).values()) == ["sent"] * sent + ["waiting"] * (count - sent)


def test_the_test_letter_goes_alone_and_at_once(program: Program) -> None:
    post(program, letter("another"))
    with Receiver() as receiver:
        assert post_test(office(program, receiver.port), "ann@example.org") == ""
        assert receiver.recipients() == ["ann@example.org"]
        assert b"Subject: Test letter from Test fleet\r\n" in receiver.letters[0][1]
    assert states(program)["another"] == "waiting"


def test_a_test_letter_that_is_refused_says_why_in_the_servers_words(program: Program) -> None:
    with Receiver() as receiver:
        receiver.says["RCPT"] = lambda _to: "550 5.1.1 nobody here"
        assert "550 5.1.1 nobody here" in post_test(office(program, receiver.port), "ann@example.org")
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    assert "cannot be used" in post_test(office(program, port), "ann@example.org")
    with pytest.raises(UserError, match="front desk"):
        post_test(program, "front desk")


def test_a_test_letter_is_urgent_and_in_the_box_like_any_other(program: Program) -> None:
    with Receiver() as receiver:
        post_test(office(program, receiver.port), "ann@example.org")
    (row,) = rows(program).values()
    assert (row.kind, row.urgent, row.state) == ("test", True, "sent")


def test_a_signal_in_the_middle_of_another_does_not_wait_for_itself() -> None:
    # A lock taken in the handler would be held by the interrupted one: the process would never end.
    with _stopped_by_signals() as stop:
        assert not isinstance(stop, threading.Event)
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGTERM)
        assert stop.is_set()
