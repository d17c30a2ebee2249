"""The ledger's own steps: a round is taken by one node, closed once, and takes with it what was missed before."""

from __future__ import annotations

import json
import threading
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, insert, select

from nightround.rounds import ledger as rounds_of
from nightround.store import happenings
from nightround.store.database import Store, open_store
from nightround.store.tables import ledger
from tests.conftest import START
from tests.statements import statements

from .build import TODAY

ZONE = "Europe/Berlin"
BEFORE = START - timedelta(days=1)


def put(store: Store, on: date, state: str, **more: Any) -> None:
    with store.write() as conn:
        row = {"zone": ZONE, "on": on, "state": state, "holder": "old", "started_at": BEFORE} | more
        conn.execute(insert(ledger).values(row))


def rows(store: Store) -> dict[date, Any]:
    with store.read() as conn:
        return {row.on: row for row in conn.execute(select(ledger).where(ledger.c.zone == ZONE).order_by(ledger.c.on))}


def close(store: Store, holder: str = "node", **counts: int) -> bool:
    with store.write() as conn:
        found = [{"unit": "U-1", "why": "größer"}]
        totals = {"units": 7, "duties": 9}
        return rounds_of.close(conn, ZONE, TODAY, holder, START, 1.5, found, totals, **counts)


states = st.sampled_from(["done", "caught up", "running"])


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(earlier=st.dictionaries(st.one_of(st.integers(1, 12), st.integers(390, 420)), states, max_size=8))
def test_a_round_that_ends_takes_with_it_what_was_begun_and_what_was_missed_before(
    store: Store, earlier: dict[int, str]
) -> None:
    with store.write() as conn:
        conn.execute(delete(ledger))
    for ago, state in earlier.items():
        put(store, TODAY - timedelta(days=ago), state, finished_at=BEFORE if state != "running" else None)
    put(store, TODAY + timedelta(days=1), "running")  # a later one is none of its business
    assert rounds_of.claim(store, ZONE, TODAY, "node", START)
    assert close(store)

    found = rows(store)
    assert found.pop(TODAY + timedelta(days=1)).state == "running"
    assert (found[TODAY].state, found[TODAY].finished_at, found[TODAY].lease_until) == ("done", START, None)
    ended = [ago for ago, state in earlier.items() if state in rounds_of.DONE]
    since = min(ended, default=None)
    missed = range(1, since) if since is not None and since <= rounds_of.CATCH_UP_DAYS else range(0)
    expected = {ago: state if state != "running" else "caught up" for ago, state in earlier.items()}
    expected |= dict.fromkeys(missed, "caught up")
    assert {(TODAY - on).days: row.state for on, row in found.items() if on != TODAY} == expected
    for ago in expected:
        row = found[TODAY - timedelta(days=ago)]
        assert row.finished_at == (BEFORE if ago in ended else START)
        assert row.lease_until is None


def test_a_round_is_counted_as_it_goes_and_at_its_end(store: Store) -> None:
    assert rounds_of.claim(store, ZONE, TODAY, "node", START)
    with store.write() as conn:
        assert rounds_of.hold(conn, ZONE, TODAY, "node", START + timedelta(minutes=5), moves=3, cases_opened=2)
    held = rows(store)[TODAY]
    assert (held.state, held.moves, held.cases_opened, held.cases_closed) == ("running", 3, 2, 0)
    assert held.lease_until == START + timedelta(minutes=5) + rounds_of.LEASE
    assert close(store, moves=4, cases_opened=0, cases_closed=1)
    done = rows(store)[TODAY]
    assert (done.moves, done.cases_opened, done.cases_closed, done.units, done.duties) == (7, 2, 1, 7, 9)
    assert (done.started_at, done.seconds) == (START, 1.5)
    assert json.loads(done.findings) == [{"unit": "U-1", "why": "größer"}]
    with store.read() as conn:
        beat = happenings.beat(conn, happenings.ROUND)
        assert beat is not None
        assert beat.at == START
        assert happenings.all_beats(conn)[happenings.ROUND] == beat
        assert happenings.beat(conn, happenings.SERVICE) is None


def test_whoever_lost_the_round_closes_nothing(store: Store) -> None:
    put(store, TODAY - timedelta(days=5), "done", finished_at=BEFORE)
    assert rounds_of.claim(store, ZONE, TODAY, "node", START)
    before = rows(store)
    assert not close(store, "another")
    assert rows(store) == before
    with store.read() as conn:
        assert happenings.beat(conn, happenings.ROUND) is None


@pytest.mark.parametrize(
    ("row", "again", "since", "taken"),
    [
        ({"state": "done", "finished_at": BEFORE}, False, None, False),
        ({"state": "done", "finished_at": BEFORE}, True, None, True),
        ({"state": "done", "finished_at": BEFORE}, False, START - timedelta(hours=1), True),
        ({"state": "done", "finished_at": BEFORE}, False, BEFORE, False),
        ({"state": "caught up", "finished_at": BEFORE}, False, None, False),
        ({"state": "running", "lease_until": START + timedelta(seconds=1)}, True, None, False),
        ({"state": "running", "lease_until": START}, False, None, True),
        ({"state": "running", "lease_until": None}, False, None, True),
    ],
)
def test_a_round_that_has_a_row_is_taken_only_where_it_may_be(
    store: Store, row: dict[str, Any], again: bool, since: datetime | None, taken: bool
) -> None:
    put(store, TODAY, **row)
    before = rows(store)[TODAY]
    assert rounds_of.claim(store, ZONE, TODAY, "node", START, again=again, since=since) is taken
    after = rows(store)[TODAY]
    if not taken:
        assert after == before
        return
    assert (after.state, after.holder, after.lease_until) == ("running", "node", START + rounds_of.LEASE)
    assert (after.started_at, after.finished_at) == (before.started_at, before.finished_at)


@pytest.mark.parametrize("killed", [False, True], ids=["goes on", "is killed"])
def test_a_node_that_comes_while_another_takes_the_round_waits_for_what_becomes_of_it(
    database_url: str, killed: bool
) -> None:
    ours, theirs = open_store(database_url), open_store(database_url)
    answers: list[bool] = []
    claim = threading.Thread(target=lambda: answers.append(rounds_of.claim(ours, ZONE, TODAY, "we", START)))
    row = {"zone": ZONE, "on": TODAY, "state": "running", "holder": "they", "started_at": START}
    try:
        try:
            with theirs.write() as conn:
                conn.execute(insert(ledger).values(**row, lease_until=START + rounds_of.LEASE))
                claim.start()
                claim.join(0.2)
                assert answers == []
                if killed:
                    raise InterruptedError
        except InterruptedError:
            pass
        claim.join(20)
        assert answers == [killed]
        assert [one.holder for one in rows(ours).values()] == ["we" if killed else "they"]
    finally:
        ours.close()
        theirs.close()


def test_many_nodes_at_once_run_each_round_once(database_url: str) -> None:
    nodes = [open_store(database_url) for _ in range(4)]
    together = threading.Barrier(len(nodes))
    taken: list[tuple[date, int]] = []
    days = [TODAY - timedelta(days=n) for n in range(8)]

    def run(number: int) -> None:
        for on in days:
            together.wait(20)
            if rounds_of.claim(nodes[number], ZONE, on, f"node {number}", START):
                taken.append((on, number))

    threads = [threading.Thread(target=run, args=(number,)) for number in range(len(nodes))]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
        assert sorted(on for on, _ in taken) == sorted(days)
        assert {on: row.holder for on, row in rows(nodes[0]).items()} == {on: f"node {n}" for on, n in taken}
    finally:
        for node in nodes:
            node.close()


def test_a_night_of_one_zone_costs_the_ledger_six_statements(store: Store) -> None:
    put(store, TODAY - timedelta(days=1), "done", finished_at=BEFORE)
    rounds_of.claim(store, "Asia/Tokyo", TODAY, "node", START)  # another zone's is none of its business
    with statements(store) as sent:
        assert rounds_of.claim(store, ZONE, TODAY, "node", START)
        with store.write() as conn:
            assert rounds_of.hold(conn, ZONE, TODAY, "node", START, moves=1)
        assert close(store)
    assert len(sent) == 6  # the first asks whether any ended in time to come
