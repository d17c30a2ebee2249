"""What goes over the wire before a letter may: security as it is set and nothing less."""

from __future__ import annotations

import asyncio
import socket
import threading
from pathlib import Path
from typing import Any

import pytest

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.letters.delivery import Delivered, deliver, deliver_async, knock
from nightround.letters.smtp import way
from nightround.settings import Settings
from nightround.store.database import Store

from ...conftest import Clock
from .build import letter, mail, office, post, rows, states
from .receiver import CA, Receiver

LOGIN = ("round", "s3cret-pass-phrase")


@pytest.fixture
def program(settings: Settings, sqlite_store: Store, clock: Clock, tmp_path: Path) -> Program:
    (tmp_path / "password").write_text(LOGIN[1])
    return Program(settings, sqlite_store, clock)


def with_login(**given: Any) -> dict[str, Any]:
    return {"username": LOGIN[0], "password_file": Path("password"), **given}


def test_starttls_and_login_protect_all_that_matters(program: Program) -> None:
    with Receiver(starttls=True, login=LOGIN) as receiver:
        post(program, letter("n"))
        done = deliver(office(program, receiver.port, security="starttls", ca_file=CA, **with_login()))
    assert (done.sent, done.trouble) == (1, "")
    assert b"STARTTLS" in receiver.in_clear
    for secret in (b"MAIL", b"AUTH", b"Body", b"example.org"):
        assert secret not in receiver.in_clear


def test_implicit_tls_leaves_nothing_in_clear(program: Program) -> None:
    with Receiver(implicit=True, login=LOGIN) as receiver:
        post(program, letter("n"))
        done = deliver(office(program, receiver.port, security="implicit", ca_file=CA, **with_login()))
    assert (done.sent, done.trouble) == (1, "")
    assert receiver.in_clear == b""


def test_a_server_without_starttls_gets_neither_login_nor_letter(program: Program) -> None:
    # The library's default would log in and send in clear: see its start_tls=None.
    with Receiver(login=LOGIN) as receiver:
        post(program, letter("n"))
        done = deliver(office(program, receiver.port, security="starttls", ca_file=CA, **with_login()))
    assert done.sent == 0 and receiver.offered == []
    assert "STARTTLS" in done.trouble and "nothing was sent in clear" in done.trouble
    assert [command for command in receiver.commands if command != "EHLO"] == []
    assert b"AUTH" not in receiver.in_clear and b"MAIL" not in receiver.in_clear
    assert (rows(program)["n"].state, rows(program)["n"].tries) == ("waiting", 0)


@pytest.mark.parametrize("security", ["starttls", "implicit"])
def test_a_certificate_that_nobody_vouches_for_ends_it(program: Program, security: str) -> None:
    with Receiver(starttls=security == "starttls", implicit=security == "implicit", login=LOGIN) as receiver:
        post(program, letter("n"))
        done = deliver(office(program, receiver.port, security=security, **with_login()))
    assert done.sent == 0 and receiver.offered == []
    assert "certificate" in done.trouble and "mail.ca_file" in done.trouble
    assert "AUTH" not in receiver.commands


def test_a_certificate_for_another_name_ends_it(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    ask = socket.getaddrinfo
    monkeypatch.setattr(
        socket,
        "getaddrinfo",
        lambda host, *rest, **more: ask("127.0.0.1" if host == "mail.example.org" else host, *rest, **more),
    )
    with Receiver(starttls=True) as receiver:
        post(program, letter("n"))
        done = deliver(office(program, receiver.port, host="mail.example.org", security="starttls", ca_file=CA))
    assert done.sent == 0
    assert "mail.example.org" in done.trouble and "certificate" in done.trouble


def test_a_server_that_speaks_no_tls_at_all_is_not_spoken_to(program: Program) -> None:
    with Receiver(login=LOGIN) as receiver:
        post(program, letter("n"))
        done = deliver(
            office(program, receiver.port, security="implicit", ca_file=CA, timeout_scale=0.005, **with_login())
        )
    assert done.sent == 0 and done.trouble
    assert b"EHLO" not in receiver.in_clear


def test_a_refused_login_leaves_the_letters_waiting_and_is_not_repeated_every_minute(
    program: Program, clock: Clock
) -> None:
    async def tick(here: Program) -> Delivered:
        return await deliver_async(here, asyncio.Event())

    with Receiver(starttls=True, login=("round", "another")) as receiver:
        here = office(program, receiver.port, security="starttls", ca_file=CA, lanes=1, **with_login())
        post(here, letter("a"), letter("b"))
        done = deliver(here)
        assert (done.sent, done.waiting) == (0, 2)
        assert "mail.username and mail.password_file" in done.trouble and "535" in done.trouble
        assert LOGIN[1] not in done.trouble
        assert {(row.state, row.tries) for row in rows(here).values()} == {("waiting", 0)}
        logins = receiver.commands.count("AUTH")
        clock.forward(minutes=1)
        asyncio.run(tick(here))
        assert receiver.commands.count("AUTH") == logins
    # Somebody has mended it, and asks for the letters now.
    with Receiver(starttls=True, login=LOGIN) as receiver:
        here = office(program, receiver.port, security="starttls", ca_file=CA, **with_login())
        assert deliver(here).sent == 2


def test_a_sender_that_the_server_does_not_want_is_not_the_letters_fault(program: Program) -> None:
    with Receiver() as receiver:
        receiver.says["MAIL"] = lambda _address: "553 5.7.1 not your address"
        here = office(program, receiver.port)
        post(here, letter("a"), letter("b"))
        done = deliver(here)
        assert (done.sent, done.waiting, done.given_up) == (0, 2, ())
        assert "mail.sender" in done.trouble
        receiver.says.clear()
        assert deliver(here).sent == 2


def test_a_greeting_that_refuses_is_said_and_costs_no_try(program: Program) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def turn_away() -> None:
            peer, _ = server.accept()
            peer.sendall(b"554 5.3.2 no service here\r\n")
            peer.close()

        thread = threading.Thread(target=turn_away)
        thread.start()
        post(program, letter("n"))
        done = deliver(office(program, server.getsockname()[1]))
        thread.join()
    assert "554 5.3.2 no service here" in done.trouble
    assert (rows(program)["n"].state, rows(program)["n"].tries) == ("waiting", 0)


def test_plain_never_logs_in(program: Program) -> None:
    with Receiver(login=LOGIN) as receiver:
        post(program, letter("n"))
        deliver(office(program, receiver.port))
    assert states(program) == {"n": "sent"}
    assert "AUTH" not in receiver.commands


def test_a_ca_file_that_holds_nothing_is_an_error_of_the_settings_and_nothing_is_claimed(
    program: Program, tmp_path: Path
) -> None:
    (tmp_path / "empty.pem").write_text("nothing")
    post(program, letter("n"))
    for name in ("empty.pem", "missing.pem"):
        with pytest.raises(UserError, match=r"mail\.ca_file"):
            deliver(office(program, 1, security="starttls", ca_file=Path(name)))
    assert states(program) == {"n": "waiting"}


def test_knocking_says_nothing_when_all_is_well_and_why_when_it_is_not(program: Program) -> None:
    with Receiver(starttls=True, login=LOGIN) as receiver:
        well = mail(program.settings, receiver.port, security="starttls", ca_file=CA, **with_login())
        assert knock(well) == ""
        assert "535" in knock(replace_mail(well, username="somebody"))
    assert f":{receiver.port} cannot be used" in knock(well)
    assert receiver.offered == []


def replace_mail(settings: Settings, **given: Any) -> Settings:
    return settings.model_copy(update={"mail": settings.mail.model_copy(update=given)})


def test_a_way_does_not_show_its_password(program: Program) -> None:
    shown = repr(way(mail(program.settings, 1, security="starttls", **with_login())))
    assert LOGIN[1] not in shown
