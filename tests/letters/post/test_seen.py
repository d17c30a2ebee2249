"""What is said of a server that misbehaves: truly at which step it did, and what was seen of it."""

from __future__ import annotations

import pytest

from nightround.bootstrap import Program
from nightround.letters.delivery import deliver, knock

from .build import letter, office, post, rows
from .faulty import Fault, Faulty

IMPATIENT = 0.003  # of the time limits: 0.9 s for RCPT


# What meets every letter → what is said of it, at whatever step of the session that is.
SEEN = [
    (Fault("dot", None, "hangs up"), "message: the connection ended before the answer to the final dot"),
    (Fault("middle", None, "hangs up"), "message: the connection ended before the answer to the final dot"),
    (Fault("dot", None, "silent"), "message: no answer within 2 seconds"),
    (Fault("dot", b"hello"), "message: what came is no answer of a mail server: 'hello'"),
    (Fault("DATA", None, "hangs up"), "DATA: the connection ended without an answer"),
    (Fault("RCPT", None, "hangs up"), "RCPT: the connection ended without an answer"),
    (Fault("RCPT", None, "silent"), "RCPT: no answer within 0.9 seconds"),
    (Fault("RCPT", b"hello"), "RCPT: what came is no answer of a mail server: 'hello'"),
    (Fault("RCPT", b"421 4.3.0 closing", "hangs up"), "RCPT: 421 4.3.0 closing"),
    (Fault("MAIL", None, "hangs up"), "MAIL: the connection ended without an answer"),
    (Fault("EHLO", None, "hangs up"), "EHLO: the connection ended without an answer"),
    (Fault("EHLO", None, "silent"), "EHLO: no answer within 0.9 seconds"),
    (Fault("EHLO", b"what?"), "EHLO: what came is no answer of a mail server: 'what?'"),
    (Fault("banner", None, "hangs up"), "greeting: the connection ended without an answer"),
    (Fault("banner", None, "silent"), "greeting: no answer within 0.9 seconds"),
    (Fault("banner", b"SSH-2.0-x"), "greeting: what came is no answer of a mail server: 'SSH-2.0-x'"),
]


@pytest.mark.parametrize(("fault", "words"), SEEN, ids=[fault.name for fault, _ in SEEN])
def test_what_is_said_names_the_step_and_what_was_seen(one: Program, fault: Fault, words: str) -> None:
    with Faulty(lambda _to, stage: fault if stage == fault.stage else None) as server:
        here = office(
            one, server.port, host="127.0.0.1", lanes=1, timeout_scale=IMPATIENT if fault.then == "silent" else 1.0
        )
        post(here, *(letter(name) for name in "abcd"))
        done = deliver(here)
        assert (done.sent, done.waiting) == (0, 4)
        assert words in done.trouble
        assert "connect:" not in done.trouble
        for name in "abcd":
            assert rows(here)[name].last_answer.startswith(words), name


def test_a_server_that_never_takes_a_letter_is_said_to_have_been_tried_more_than_once(one: Program) -> None:
    fault = Fault("dot", None, "hangs up")
    with Faulty(lambda _to, stage: fault if stage == "dot" else None) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=1)
        post(here, *(letter(name) for name in "abcd"))
        assert "3 connections in a row took no letter" in deliver(here).trouble
        # What was tried waits by its schedule; what was not is asked for again at the next look.
        assert [rows(here)[name].tries for name in "abcd"] == [1, 1, 1, 0]


def test_nobody_there_is_said_in_the_words_of_the_machine(one: Program) -> None:
    said = knock(office(one, 1, host="127.0.0.1").settings)
    assert "connect: Connection refused" in said


def test_words_that_are_not_utf_8_are_kept_as_far_as_they_can_be_read(one: Program) -> None:
    fault = Fault("RCPT", b"451 4.2.1 sp\xe4ter")
    with Faulty(lambda _to, stage: fault if stage == "RCPT" else None) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=1)
        post(here, letter("a"))
        assert deliver(here).waiting == 1
        assert rows(here)["a"].last_answer.startswith("RCPT: 451 4.2.1 sp")
