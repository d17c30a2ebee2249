"""A clock that was ahead and is right again: nothing done by it counts, and nothing waits for it to come true."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.commands.watch import _today_everywhere
from nightround.letters.delivery import deliver
from nightround.pages import health
from nightround.reckoning.dates import local_day
from nightround.rounds import ledger as book
from nightround.rounds.pulse import Pulse
from nightround.rounds.recent import recent
from nightround.rounds.tonight import owed, run_owed
from nightround.rounds.troubles import Kind, troubles
from nightround.store.tables import duties, ledger
from nightround.sweeping import look_round
from tests.letters.post.build import letter, office, post, states
from tests.letters.post.receiver import Receiver
from tests.rounds.night.build import small_fleet

from ..conftest import Clock

BERLIN = "Europe/Berlin"


def nights(program: Program) -> dict[date, str]:
    with program.store.read() as conn:
        return {row.on: row.state for row in conn.execute(select(ledger.c.on, ledger.c.state))}


@pytest.mark.parametrize("by", [{"hours": 16}, {"days": 1}, {"days": 3}, {"days": 365}], ids=str)
def test_nights_that_were_rounded_while_the_clock_was_ahead_are_rounded_when_they_come(
    program: Program, clock: Clock, by: dict[str, float]
) -> None:
    small_fleet(program.store)
    pulse = Pulse()
    look_round(program, pulse=pulse)
    right = clock.now
    clock.forward(**by)
    look_round(program, pulse=pulse)
    assert max(nights(program)) > local_day(right, BERLIN)
    clock.now = right + timedelta(minutes=10)
    # At once the zone is reckoned for the day that it is, though its night was done before the clock leapt.
    assert owed(program) == [(BERLIN, local_day(right, BERLIN))]
    with program.store.read() as conn:
        assert recent(conn, [BERLIN], clock.now)[BERLIN].last is not None or by == {"days": 365}
    look_round(program, pulse=pulse)
    assert max(nights(program)) == local_day(right, BERLIN)
    assert owed(program) == []
    for _ in range(4):
        clock.forward(days=1)
        assert owed(program) == [(BERLIN, local_day(clock.now, BERLIN))]
        look_round(program, pulse=pulse)
    assert set(nights(program).values()) == {"done"}
    with program.store.read() as conn:
        opened = conn.execute(select(duties.c.not_recorded_since).where(duties.c.not_recorded_since.is_not(None)))
        assert all(day <= local_day(clock.now, BERLIN) for day in opened.scalars())


def test_a_round_that_was_killed_while_the_clock_was_ahead_holds_its_night_no_longer_than_a_lease(
    program: Program, clock: Clock
) -> None:
    small_fleet(program.store)
    day = local_day(clock.now, BERLIN)
    assert book.claim(program.store, BERLIN, day, "one that died", clock.now + timedelta(days=200))
    assert [result.on for result in run_owed(program)] == [day]


def test_the_cure_is_the_right_one_and_ends_the_trouble(program: Program, clock: Clock) -> None:
    small_fleet(program.store)
    pulse = Pulse()
    right = clock.now
    clock.forward(days=30)
    look_round(program, pulse=pulse)
    post(program, letter("n", created_at=clock.now))
    clock.now = right
    look_round(program, pulse=pulse)
    web = TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000))
    with program.store.read() as conn:
        (trouble,) = [one for one in troubles(conn, program.settings, clock.now) if one.kind == Kind.CLOCK_BACK]
    assert trouble.cure.startswith("look whether it is right now; if it is not, set it right. Then run: nightround ")
    assert any("The clock went back" in reason for reason in web.get("/readyz").json()["reasons"])
    clock.forward(minutes=5)
    _today_everywhere(program, {BERLIN: local_day(clock.now, BERLIN)}, None)
    assert not any("The clock went back" in reason for reason in web.get("/readyz").json()["reasons"])
    # The next time it is told again.
    clock.forward(days=60)
    look_round(program, pulse=pulse)
    clock.forward(days=-59)
    look_round(program, pulse=pulse)
    assert any("The clock went back" in reason for reason in web.get("/readyz").json()["reasons"])


def test_letters_that_were_written_or_put_off_while_the_clock_was_ahead_go_now(program: Program, clock: Clock) -> None:
    right = clock.now
    clock.forward(days=200)
    post(program, letter("written-ahead", created_at=clock.now, urgent=True))
    with Receiver() as receiver:
        clock.now = right
        here = office(program, receiver.port, host="127.0.0.1")
        deliver(here)
    assert states(here) == {"written-ahead": "sent"}
