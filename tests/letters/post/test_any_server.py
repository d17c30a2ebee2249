"""Whatever a server does and whenever the process dies: every letter is sent, given up or waiting, and none is lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine

from nightround.bootstrap import Program
from nightround.letters import hold
from nightround.letters.delivery import deliver
from nightround.settings import Settings
from nightround.store.database import Store, open_store
from nightround.store.tables import beats, happenings, messages

from ...conftest import START, Clock
from .build import letter, office, post, rows
from .faulty import Fault, Faulty, Stage

NAMES = ["a", "b", "c", "d"]

FAULTS = [
    Fault("banner", b"421 4.3.2 too busy", "hangs up"),
    Fault("banner", None, "hangs up"),
    Fault("MAIL", b"451 4.3.0 later"),
    Fault("MAIL", b"421 4.3.0 closing", "hangs up"),
    Fault("MAIL", b"550 5.7.1 not your address"),
    Fault("MAIL", b"552 5.3.4 too large"),
    Fault("RCPT", b"450 4.2.1 busy"),
    Fault("RCPT", b"550 5.1.1 nobody here"),
    Fault("RCPT", None, "hangs up"),
    Fault("DATA", b"451 4.7.1 later"),
    Fault("DATA", b"250 what"),
    Fault("middle", b"421 4.3.0 closing", "hangs up"),
    Fault("dot", b"451 4.3.2 not now"),
    Fault("dot", b"499 odd"),
    Fault("dot", b"599 odd"),
    Fault("dot", b"no reply at all"),
    Fault("dot", None, "hangs up"),
    Fault("dot", None, "hangs up", keeps=True),
]
# Which fault, if any, meets the first, the second … time that each stage is reached; afterwards the server is well.
SCRIPTS = st.fixed_dictionaries(
    {}, optional={stage: st.lists(st.none() | st.sampled_from(faults), max_size=8) for stage, faults in (
        (stage, [fault for fault in FAULTS if fault.stage == stage]) for stage in {fault.stage for fault in FAULTS}
    )},
)  # fmt: skip


class Killed(BaseException):
    """The process is gone: nothing of it runs any more, not even what tidies up."""


class Mortal(Store):
    """The store of a process that dies at its so-many-th unit of work, before it or right after its commit."""

    def __init__(self, engine: Engine, units: int, *, committed: bool) -> None:
        super().__init__(engine)
        self._left, self._committed = units, committed

    @contextmanager
    def write(self) -> Iterator[Connection]:
        self._left -= 1
        if self._left < 0 or (self._left == 0 and not self._committed):
            raise Killed
        with super().write() as conn:
            yield conn
        if self._left == 0:
            raise Killed


def run(
    here: Program, server: Faulty, scripted: dict[Stage, list[Fault | None]], deaths: list[tuple[int, bool]]
) -> None:
    """Delivers again and again, a process dying where it is told to, until nothing is left to wait for."""
    clock = here.clock
    assert isinstance(clock, Clock)
    left = {stage: list(faults) for stage, faults in scripted.items()}
    server.script = lambda _to, stage: left[stage].pop(0) if left.get(stage) else None
    for look in range(60):
        if look < len(deaths):
            units, committed = deaths[look]
            doomed = replace(here, store=Mortal(here.store.engine, units, committed=committed))
            with suppress(Killed):
                deliver(doomed)
        else:
            deliver(here)
            assert not {row.state for row in rows(here).values()} - {"sent", "given up", "waiting"}
        if all(row.state in ("sent", "given up") for row in rows(here).values()):
            return
        clock.forward(minutes=30)
    raise AssertionError("the server was well for days, and letters still wait")


def checked(here: Program, server: Faulty, given: dict[Stage, list[Fault | None]], deaths: int) -> None:
    kept, acknowledged = Counter(server.kept.all()), Counter[str]()
    for box in server.kept.acknowledged.values():
        acknowledged.update(box)
    refusals = sum(
        fault is not None and (fault.says or b"").startswith(b"5") for line in given.values() for fault in line
    )
    given_up = 0
    for name in NAMES:
        row, message_id = rows(here)[name], f"<{name}@test.example.org>"
        assert (row.holder, row.lease_until) == ("", None)
        if row.state == "sent":
            assert row.sent_at is not None
            assert acknowledged[message_id] >= 1
        else:
            given_up += 1
            assert row.last_answer.partition(": ")[2].startswith("5")
        silent = sum(box.count(message_id) for box in server.kept.in_silence.values())
        # Twice only where the server kept it in silence, or the process died between its answer and the writing.
        assert kept[message_id] <= 1 + silent + deaths
    assert given_up <= refusals


@pytest.fixture(params=["sqlite", "postgresql"])
def shared(request: pytest.FixtureRequest, settings: Settings, database_of: Any) -> Iterator[Program]:
    """One database for all examples of a test; each begins with an empty letter box."""
    store = open_store(database_of(request.param))
    yield Program(settings, store, Clock())
    store.close()


def emptied(program: Program) -> Program:
    with program.store.write() as conn:
        for table in (messages, beats, happenings):
            conn.execute(table.delete())
    return replace(program, clock=Clock(START))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(scripted=SCRIPTS, lanes=st.integers(1, 2))
def test_whatever_the_server_does_every_letter_comes_to_its_end_once(
    shared: Program, scripted: dict[Stage, list[Fault | None]], lanes: int
) -> None:
    program = emptied(shared)
    with Faulty() as server:
        here = office(program, server.port, host="127.0.0.1", lanes=lanes, batch=3, urgent_give_up_hours=99)
        post(here, *(letter(name, urgent=name == "c") for name in NAMES))
        run(here, server, scripted, [])
        checked(here, server, scripted, 0)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    scripted=SCRIPTS,
    deaths=st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=1, max_size=4),
    lanes=st.integers(1, 2),
)
def test_a_process_that_dies_at_any_moment_changes_none_of_this(
    shared: Program, scripted: dict[Stage, list[Fault | None]], deaths: list[tuple[int, bool]], lanes: int
) -> None:
    assert timedelta(minutes=30) > hold.LEASE  # whoever looks next finds what the dead one held
    program = emptied(shared)
    with Faulty() as server:
        here = office(program, server.port, host="127.0.0.1", lanes=lanes, batch=3, urgent_give_up_hours=99)
        post(here, *(letter(name, urgent=name == "c") for name in NAMES))
        run(here, server, scripted, deaths)
        checked(here, server, scripted, len(deaths))
