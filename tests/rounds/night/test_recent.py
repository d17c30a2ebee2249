"""What the ledger says of all zones at once is what it says of each alone, and costs no more with many zones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, delete, insert, or_, select, true, update
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.cases import fleetwide
from nightround.letters import nights
from nightround.pages import health
from nightround.reckoning.dates import local_day, local_instant
from nightround.rounds import ledger as rounds_of
from nightround.rounds.ledger import AHEAD, DONE
from nightround.rounds.loading import zones
from nightround.rounds.recent import Running, recent, silent
from nightround.rounds.todays import today
from nightround.rounds.tonight import run_owed
from nightround.rounds.troubles import LATE, troubles
from nightround.rounds.zones import owed_date
from nightround.store.database import Store
from nightround.store.tables import cases, ledger, moves
from tests.conftest import START, Clock
from tests.statements import statements

from .build import BOOK, TODAY, add_site, add_unit

# The first and the last to begin a day, and one that changes its clock.
ZONES = ("Etc/GMT+12", "Europe/Berlin", "Pacific/Kiritimati")
AT = time(2, 0)

hours = st.integers(-30, 12 * 24)
entries = st.fixed_dictionaries(
    {
        "state": st.sampled_from(["done", "done", "caught up", "running"]),
        "ended": st.none() | hours,
        "lease": st.none() | hours,
    }
)
ages = st.one_of(st.integers(-3, 5), st.integers(-60, 500))
books = st.fixed_dictionaries({zone: st.dictionaries(ages, entries, max_size=8) for zone in ZONES})


def fill(conn: Connection, kept: dict[str, dict[int, dict[str, Any]]], now: datetime) -> None:
    rows = [
        {
            "zone": zone,
            "on": now.date() - timedelta(days=days),
            "state": entry["state"],
            "holder": "node",
            "started_at": now - timedelta(days=days),
            "finished_at": None if entry["ended"] is None else now - timedelta(hours=entry["ended"]),
            "lease_until": None if entry["lease"] is None else now - timedelta(hours=entry["lease"]),
        }
        for zone, its in kept.items()
        for days, entry in its.items()
    ]
    conn.execute(delete(ledger))
    if rows:
        conn.execute(insert(ledger), rows)


# What the ledger says of one zone, asked plainly and for that zone alone. What ended in time to come does not count.


def rows_of(conn: Connection, zone: str, *clauses: Any) -> list[Any]:
    return list(conn.execute(select(ledger).where(ledger.c.zone == zone, *clauses).order_by(ledger.c.on)))


def not_ahead(now: datetime) -> Any:
    return or_(ledger.c.finished_at.is_(None), ledger.c.finished_at <= now + AHEAD)


def newest(conn: Connection, zone: str, now: datetime) -> date | None:
    found = rows_of(conn, zone, ledger.c.state.in_(DONE), ledger.c.finished_at <= now + AHEAD)
    return max(found, key=lambda row: (row.finished_at, row.on)).on if found else None


def last_done(conn: Connection, zone: str, owed: date, due: datetime, now: datetime) -> date | None:
    counts = or_(ledger.c.on < owed, ledger.c.finished_at >= due)
    found = rows_of(conn, zone, ledger.c.state.in_(DONE), ledger.c.on <= owed, counts, not_ahead(now))
    return found[-1].on if found else None


def has_ended(conn: Connection, zone: str, on: date, due: datetime, now: datetime) -> bool:
    ended = (ledger.c.state.in_(DONE), ledger.c.on == on, ledger.c.finished_at >= due)
    return bool(rows_of(conn, zone, *ended, not_ahead(now)))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kept=books, hour=st.integers(0, 47))
def test_all_zones_at_once_say_what_each_says_alone(
    store: Store, kept: dict[str, dict[int, dict[str, Any]]], hour: int
) -> None:
    now = datetime(2026, 11, 24, hour % 24, 30, tzinfo=UTC) + timedelta(days=hour // 24)
    with store.write() as conn:
        fill(conn, kept, now)
    with store.read() as conn:
        found = recent(conn, ZONES, now)
        late = silent(conn, ZONES, now - LATE, now)
        for zone in ZONES:
            owed = owed_date(zone, now, AT)
            due = local_instant(owed, AT, zone)
            its = found[zone]
            age = rounds_of.age(conn, zone, now)
            assert its.age(now) == age
            assert (zone in late) is (age is None or age > LATE)
            assert (its.last.on if its.last is not None else None) == newest(conn, zone, now)
            assert its.done_up_to(owed, due) == last_done(conn, zone, owed, due, now)
            for on in (owed, local_day(now, zone)):
                assert its.ended(on, due) == has_ended(conn, zone, on, due, now)
            running = rows_of(conn, zone, ledger.c.state == "running")
            assert list(its.running) == [Running(row.on, row.started_at, row.lease_until) for row in running]


def test_a_zone_without_any_round_and_one_that_nobody_asked_for(store: Store) -> None:
    entry = {"state": "done", "ended": 3, "lease": None}
    with store.write() as conn:
        fill(conn, {"Asia/Tokyo": {0: entry}}, START)
    with store.read() as conn:
        found = recent(conn, ["Europe/Berlin"], START)
    assert list(found) == ["Europe/Berlin"]
    assert found["Europe/Berlin"].last is None
    assert found["Europe/Berlin"].done_up_to(TODAY, START) is None


def test_old_rounds_are_not_read_again_where_the_last_nights_are_there(store: Store) -> None:
    entry = {"state": "done", "lease": None}
    with store.write() as conn:
        fill(conn, {zone: {n: {**entry, "ended": 24 * n + 1} for n in range(400)} for zone in ZONES}, START)
    with store.read() as conn, statements(store) as sent:
        found = recent(conn, ZONES, START)
    assert len(sent) == 1
    assert {len(its.done) for its in found.values()} == {4}


def test_the_ends_of_the_rounds_are_those_of_each_zone_with_or_without_units(store: Store) -> None:
    entry = {"state": "done", "ended": 400, "lease": None}
    late = {"state": "caught up", "ended": 2, "lease": None}
    broken_off = {"state": "running", "ended": 1, "lease": 1}
    with store.write() as conn:
        fill(conn, {zone: {20: entry, 30: late, 0: broken_off} for zone in ("Asia/Tokyo", "Asia/Seoul")}, START)
        for zone in ("Asia/Tokyo", "Europe/Berlin"):
            add_unit(conn, f"U {zone}", add_site(conn, f"S {zone}", zone))
        add_site(conn, "without units", "Asia/Seoul")
    ended = START - timedelta(hours=2)
    with store.read() as conn:
        found = rounds_of.finished(conn, true())
    assert found == {"Asia/Tokyo": ended, "Asia/Seoul": ended, "Europe/Berlin": None}


# How many statements it takes


def new(_program: Program, _clock: Clock) -> None:
    """No round has ever run."""


def in_order(program: Program, clock: Clock) -> None:
    """Seven nights, each done within the hour."""
    with program.store.write() as conn:
        for zone in zones(conn):
            nights_of = [owed_date(zone, clock.now, AT) - timedelta(days=n) for n in range(7)]
            rows = [(on, local_instant(on, AT, zone)) for on in nights_of]
            conn.execute(
                insert(ledger),
                [
                    {
                        "zone": zone,
                        "on": on,
                        "state": "done",
                        "started_at": due,
                        "finished_at": min(due + timedelta(minutes=59), clock.now),
                    }
                    for on, due in rows
                ],
            )


def long_ago(program: Program, clock: Clock) -> None:
    in_order(program, clock)
    clock.forward(days=40)


def left_lying(program: Program, clock: Clock) -> None:
    in_order(program, clock)
    long_over = clock.now - timedelta(hours=20)
    with program.store.write() as conn:
        conn.execute(
            update(ledger)
            .where(ledger.c.on >= TODAY - timedelta(days=1))
            .values(state="running", lease_until=long_over)
        )


def reckoned_by_day(program: Program, clock: Clock) -> None:
    run_owed(program, BOOK)
    clock.forward(hours=20)
    with program.store.write() as conn:
        conn.execute(delete(ledger))
        assert conn.execute(select(moves.c.id)).first() is not None


def look_at_troubles(program: Program) -> int:
    with program.store.read() as conn:
        return len(troubles(conn, program.settings, program.clock()))


def look_at_nights(program: Program) -> int:
    with program.store.read() as conn:
        return len(nights.nights(conn, true(), program.clock()).nights)


def look_at_today(program: Program) -> int:
    with program.store.read() as conn:
        return len(today(conn, program.clock())["rounds"])


def look_at_readiness(program: Program) -> int:
    with TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000)) as web:
        return len(web.get("/readyz").json()["rounds"])


ASKED = [look_at_troubles, look_at_nights, look_at_today, look_at_readiness]


@pytest.mark.parametrize("lived", [new, in_order, long_ago, left_lying, reckoned_by_day])
def test_twelve_zones_cost_as_many_statements_as_two(
    program: Program, clock: Clock, lived: Callable[[Program, Clock], None]
) -> None:
    more = [f"Etc/GMT+{n}" for n in range(1, 11)]
    with program.store.write() as conn:
        for zone in ("Europe/Berlin", "Asia/Tokyo"):
            add_unit(conn, f"U {zone}", add_site(conn, f"S {zone}", zone))
    program.settings.watch.unfinished_hours = 0  # in some zone the night's hour has only just come
    sent: dict[int, list[int]] = {}
    for number in (2, 12):
        clock.now = START
        with program.store.write() as conn:
            conn.execute(delete(ledger))
            if number == 12:
                for zone in more:
                    add_unit(conn, f"U {zone}", add_site(conn, f"S {zone}", zone))
        lived(program, clock)
        fleetwide.look(program, clock.now)
        sent[number] = []
        for ask in ASKED:
            with statements(program.store) as asked:
                said = ask(program)
            sent[number].append(len(asked))
            # Something is said of every zone, but of troubles only where there are any.
            assert said == 0 if (ask, lived) == (look_at_troubles, in_order) else said >= number
    assert sent[2] == sent[12]


@pytest.mark.parametrize(("lived", "most"), [(in_order, 4), (long_ago, 6)])
def test_a_look_at_cases_of_no_one_site_costs_as_many_statements_with_many_zones(
    program: Program, clock: Clock, lived: Callable[[Program, Clock], None], most: int
) -> None:
    sent = []
    for number in (2, 12):
        clock.now = START
        with program.store.write() as conn:
            conn.execute(delete(ledger))
            for n in range(10, 12) if number == 2 else range(10):
                add_unit(conn, f"U{n}", add_site(conn, f"S{n}", f"Etc/GMT+{n + 1}"))
        lived(program, clock)
        fleetwide.look(program, clock.now)  # which writes down what it finds
        with program.store.read() as conn:
            missed = len(conn.execute(select(cases.c.id).where(cases.c.closed_at.is_(None))).all())
        assert missed == (number if lived is long_ago else 0)
        with statements(program.store) as asked:
            assert fleetwide.look(program, clock.now) == (0, 0)
        sent.append(len(asked))
    assert sent[0] == sent[1] <= most
