"""Several connections at once: one that hangs holds up its own letter and no other."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from nightround.bootstrap import Program
from nightround.letters.delivery import Delivered, deliver

from .build import letter, office, post, states
from .faulty import Fault, Faulty, Script, Stage

NAMES = "abcdefgh"
OTHERS = {f"{name}@example.org" for name in NAMES[1:]}


@contextmanager
def delivering(program: Program) -> Iterator[list[Delivered]]:
    """A delivery at work in a thread of its own; it is asked to stop at the end of the block, and its result is there
    afterwards."""
    stop, done = threading.Event(), list[Delivered]()
    thread = threading.Thread(target=lambda: done.append(deliver(program, stop=stop)))
    thread.start()
    try:
        yield done
    finally:
        stop.set()
        thread.join(20)


def hangs_for_a(stage: Stage) -> Script:
    fault = Fault(stage, None, "silent")
    return lambda to, at: fault if at == stage and to == "a@example.org" else None


@pytest.mark.parametrize("stage", ["RCPT", "DATA", "dot"])
def test_a_letter_that_hangs_holds_up_no_other(one: Program, stage: Stage) -> None:
    with Faulty(hangs_for_a(stage)) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=2)  # with the full time limits: minutes
        post(here, *map(letter, NAMES))
        with delivering(here) as done:
            server.until(lambda: set(server.kept.acknowledged) == OTHERS)
        assert done[0].sent == len(OTHERS)
    assert states(here) == {name: "waiting" if name == "a" else "sent" for name in NAMES}


@pytest.mark.parametrize("stage", ["banner", "EHLO"])
def test_a_connection_that_hangs_before_its_first_letter_holds_up_none(one: Program, stage: Stage) -> None:
    met: list[Stage] = []

    def first_only(_to: str, at: Stage) -> Fault | None:
        met.append(at)
        return Fault(stage, None, "silent") if at == stage and met.count(stage) == 1 else None

    with Faulty(first_only) as server:
        # 30 s for the greeting; the second connection is tried after a sixtieth of that.
        here = office(one, server.port, host="127.0.0.1", lanes=2, timeout_scale=0.1)
        post(here, *map(letter, NAMES))
        with delivering(here) as done:
            server.until(lambda: len(server.kept.acknowledged) == len(NAMES))
        assert (done[0].sent, done[0].waiting, done[0].trouble) == (len(NAMES), 0, "")


def test_a_second_connection_that_is_turned_away_leaves_all_to_the_first(one: Program) -> None:
    def one_at_a_time(_to: str, at: Stage) -> Fault | None:
        return Fault("banner", b"421 4.7.0 one at a time", "hangs up") if at == "banner" and busy.is_set() else None

    busy = threading.Event()
    with Faulty(one_at_a_time) as server:
        here = office(one, server.port, host="127.0.0.1", lanes=4)
        post(here, *map(letter, NAMES))

        def later(to: str, at: Stage) -> Fault | None:
            found = one_at_a_time(to, at)
            busy.set()
            return found

        server.script = later
        done = deliver(here)
    assert (done.sent, done.waiting, done.trouble) == (len(NAMES), 0, "")
