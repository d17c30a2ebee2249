"""A letter box before a server that misbehaves: every letter is sent, given up and reported, or still waiting."""

from __future__ import annotations

import logging
import socket
from datetime import timedelta

import pytest

from nightround.bootstrap import Program
from nightround.letters.delivery import deliver
from nightround.rounds.todays import today
from nightround.rounds.troubles import troubles

from ...conftest import START, Clock
from .build import letter, office, post, rows, states
from .faulty import Fault, Faulty, one_after_another
from .receiver import CA

HALF_HOUR = timedelta(minutes=30)
BAD = "b@example.org"
IMPATIENT = 0.003  # a third of a second for DATA, so that a busy machine is not taken for a silent server


# Fault met by the letter to b → its state, and what is written down of the server's words. Waits are those of the
# settings: RFC 5321 §4.5.4.1 asks for half an hour at least. Codes by their first digit: §4.2.1.
PUT_OFF = [
    (Fault("dot", b"451 4.3.2 not now"), "message: 451 4.3.2 not now"),
    (Fault("dot", b"499 odd"), "message: 499 odd"),
    (Fault("dot", b"421 4.3.0 closing", "hangs up"), "message: 421 4.3.0 closing"),
    (Fault("dot", b"no reply at all"), "message: "),
    (Fault("dot", None, "hangs up"), "message: "),
    (Fault("dot", None, "hangs up", keeps=True), "message: "),
    (Fault("dot", None, "silent", keeps=True), "message: "),
    (Fault("middle", b"421 4.3.0 closing", "hangs up"), "message: "),
    (Fault("middle", None, "hangs up"), "message: "),
    (Fault("DATA", b"451 4.7.1 later"), "DATA: 451 4.7.1 later"),
    (Fault("DATA", b"250 what"), "DATA: 250 what"),
    (Fault("DATA", b"\xff\xfe"), "DATA: "),
    (Fault("DATA", None, "silent"), "DATA: "),
    (Fault("RCPT", b"450 4.2.1 busy"), "RCPT: 450 4.2.1 busy"),
    (Fault("RCPT", b"499 odd"), "RCPT: 499 odd"),
    (Fault("RCPT", b"hello"), "RCPT: "),
    (Fault("RCPT", b"421 4.3.0 closing", "hangs up"), "RCPT: 421 4.3.0 closing"),
    (Fault("RCPT", None, "hangs up"), "RCPT: "),
    (Fault("MAIL", b"451 4.3.0 later"), "MAIL: 451 4.3.0 later"),
    (Fault("MAIL", b"499 odd"), "MAIL: 499 odd"),
]
GIVEN_UP = [
    (Fault("dot", b"554 5.7.1 not such words"), "message: 554 5.7.1 not such words"),
    (Fault("dot", b"599 odd"), "message: 599 odd"),
    (Fault("DATA", b"554 5.5.1 nobody"), "DATA: 554 5.5.1 nobody"),
    (Fault("RCPT", b"550 5.1.1 nobody here"), "RCPT: 550 5.1.1 nobody here"),
    (Fault("RCPT", b"599 odd"), "RCPT: 599 odd"),
    (Fault("MAIL", b"552 5.3.4 too large"), "MAIL: 552 5.3.4 too large"),
]


def patience(fault: Fault) -> float:
    """The scale of the timeouts: short only where the server is silent and one has to pass."""
    return IMPATIENT if fault.then == "silent" else 1.0


def named(cases: list[tuple[Fault, str]]) -> list[str]:
    return [fault.name for fault, _ in cases]


@pytest.mark.parametrize(("fault", "words"), PUT_OFF, ids=named(PUT_OFF))
def test_a_letter_that_the_server_puts_off_waits_and_the_others_go(
    one: Program, clock: Clock, caplog: pytest.LogCaptureFixture, fault: Fault, words: str
) -> None:
    first, second = ("b", "c") if fault.stage == "MAIL" else ("a", "b")
    with Faulty(one_after_another([fault], BAD)) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=1, timeout_scale=patience(fault))
        post(here, letter(first), letter(second), letter("d"))
        done = deliver(here)
        assert (done.sent, done.waiting, done.given_up, done.trouble) == (2, 1, (), "")
        row = rows(here)["b"]
        assert (row.state, row.tries, row.next_try_at) == ("waiting", 1, START + HALF_HOUR)
        assert (row.failing_since, row.holder, row.lease_until) == (START, "", None)
        assert row.last_answer.startswith(words)
        assert len(row.last_answer) > len("message: ")
        assert "letter put off" in [record.getMessage() for record in caplog.records]
        clock.forward(minutes=29)
        assert deliver(here).sent == 0
        clock.forward(minutes=1)
        assert deliver(here).sent == 1
        assert states(here) == dict.fromkeys((first, second, "d"), "sent")
        ids = server.kept.all()
    # At least once, under the same Message-ID; twice only where the server kept it and did not say so.
    assert ids.count("<b@test.example.org>") == (2 if fault.keeps else 1)
    assert len(ids) == (4 if fault.keeps else 3)


@pytest.mark.parametrize(("fault", "words"), GIVEN_UP, ids=named(GIVEN_UP))
def test_a_letter_that_the_server_refuses_is_given_up_and_told_and_the_others_go(
    one: Program, caplog: pytest.LogCaptureFixture, fault: Fault, words: str
) -> None:
    first, second = ("b", "c") if fault.stage == "MAIL" else ("a", "b")
    with Faulty(one_after_another([fault], BAD)) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=1)
        numbers = post(here, letter(first), letter(second), letter("d"))
        done = deliver(here)
        row = rows(here)["b"]
        assert (done.sent, done.waiting, done.given_up) == (2, 0, (row.id,))
        assert row.id in numbers
        assert (row.state, row.tries, row.last_answer) == ("given up", 1, words)
        assert "letter given up" in [r.getMessage() for r in caplog.records if r.levelno == logging.ERROR]
        with here.store.read() as conn:
            assert today(conn, START)["letters"]["given up"] == 1
        assert server.kept.all().count("<b@test.example.org>") == 0
        assert deliver(here).sent == 0


# What meets everybody: nothing can be sent, no letter is to blame, and the operator is told what to mend.
FOR_ALL = [
    (Fault("banner", None, "silent"), "greeting: no answer within 0.9 seconds", 0),
    (Fault("banner", None, "hangs up"), "", 0),
    (Fault("banner", b"554 5.3.2 no service here"), "554 5.3.2 no service here", 30),
    (Fault("banner", b"421 4.3.2 too busy", "hangs up"), "421 4.3.2 too busy", 30),
    (Fault("banner", b"SSH-2.0-something"), "", 0),
    (Fault("MAIL", b"550 5.7.1 not your address"), "mail.sender", 30),
    (Fault("MAIL", b"599 odd"), "599 odd", 30),
]


@pytest.mark.parametrize(("fault", "words", "wait"), FOR_ALL, ids=[fault.name for fault, *_ in FOR_ALL])
def test_a_server_that_turns_everybody_away_costs_no_letter_a_try_and_is_told(
    one: Program, clock: Clock, fault: Fault, words: str, wait: int
) -> None:
    with Faulty(lambda _to, stage: fault if stage == fault.stage else None) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=1, timeout_scale=patience(fault))
        post(here, letter("a"), letter("b"))
        done = deliver(here)
        assert (done.sent, done.waiting, done.given_up) == (0, 2, ())
        assert f"127.0.0.1:{server.port} cannot be used" in done.trouble
        assert words in done.trouble
        for row in rows(here).values():
            assert (row.state, row.tries, row.failing_since) == ("waiting", 0, START)
            assert row.next_try_at in (START, START + timedelta(minutes=wait))
        clock.forward(minutes=60)
        with here.store.read() as conn:
            (trouble,) = troubles(conn, here.settings, clock.now)
        assert (trouble.kind, trouble.since) == ("mail-down", START)
        server.script = lambda _to, _stage: None
        assert deliver(here).sent == 2
        with here.store.read() as conn:
            assert troubles(conn, here.settings, clock.now) == []


def test_a_slow_greeting_is_waited_for_as_long_as_the_settings_say(one: Program) -> None:
    slow = Fault("banner", b"220 at last", after=0.2)
    with Faulty(lambda _to, stage: slow if stage == "banner" else None) as server:
        post(one, letter("n"))
        # RFC 5321 §4.5.3.2.1: five minutes for the greeting; here 300 s × 0.0002 = 0.06 s.
        done = deliver(office(one, server.port, timeout_scale=0.0002))
        assert (done.sent, done.waiting) == (0, 1)
        assert "greeting: no answer within 0.06 seconds" in done.trouble
        assert (rows(one)["n"].state, rows(one)["n"].tries) == ("waiting", 0)
        assert deliver(office(one, server.port, timeout_scale=0.002)).sent == 1  # 0.6 s


def test_a_refused_connection_is_told_and_asked_again_at_the_next_look(one: Program, clock: Clock) -> None:
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    post(one, letter("n"), letter("u", urgent=True))
    done = deliver(office(one, port))
    assert (done.sent, done.waiting) == (0, 2)
    assert "check mail.host and mail.port" in done.trouble
    assert {(row.state, row.tries, row.next_try_at) for row in rows(one).values()} == {("waiting", 0, START)}
    clock.forward(minutes=1)
    with Faulty() as server:
        assert deliver(office(one, server.port)).sent == 2


@pytest.mark.parametrize(
    ("offers", "fault"),
    [
        (False, None),
        (True, Fault("STARTTLS", b"454 4.7.0 TLS not available")),
        (True, Fault("STARTTLS", b"502 no")),
        (True, Fault("STARTTLS", b"220 go ahead")),  # and then goes on in clear
    ],
)
def test_where_tls_is_asked_for_and_not_to_be_had_nothing_goes_in_clear(
    one: Program, offers: bool, fault: Fault | None
) -> None:
    with Faulty(lambda _to, stage: fault if stage == "STARTTLS" else None, starttls=offers) as server:
        post(one, letter("n"))
        here = office(one, server.port, security="starttls", ca_file=CA, timeout_scale=IMPATIENT)
        done = deliver(here)
        assert (done.sent, done.waiting) == (0, 1)
        assert "TLS" in done.trouble
        assert "nothing was sent in clear" in done.trouble
        assert (rows(one)["n"].state, rows(one)["n"].tries) == ("waiting", 0)
        for secret in (b"MAIL", b"RCPT", b"DATA", b"AUTH", b"example.org"):
            assert secret not in server.in_clear
    with Faulty(starttls=True) as server:
        assert deliver(office(one, server.port, security="starttls", ca_file=CA)).sent == 1
        assert b"MAIL" not in server.in_clear
