"""A night in which nothing changes asks the database little, and no more of a large fleet than of a small one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, event, insert

from nightround.bootstrap import Program
from nightround.rounds.tonight import RoundResult, run_round
from nightround.store.tables import closures, loans, parts
from tests.conftest import START
from tests.rounds.people.test_round import add_person, trained

from .build import BOOK, TODAY, add_site, add_unit, everything

ZONE = "Europe/Berlin"
# Begin and commit of the five units of work aside. Raise these only for a question that nothing answers already.
# 20: whether a round ended in time to come, and when the last one was (what began to be not recorded since counts).
BARE = 20
FULL = 39


@contextmanager
def statements(program: Program) -> Iterator[list[str]]:
    """The statements that are carried out meanwhile."""
    asked: list[str] = []

    def note(_conn: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        if not statement.startswith("BEGIN"):
            asked.append(statement)

    engine = program.store.engine
    event.listen(engine, "before_cursor_execute", note)
    try:
        yield asked
    finally:
        event.remove(engine, "before_cursor_execute", note)


def a_site(conn: Connection, n: int) -> None:
    """Ten units of which three were not looked at for too long, and thus are told as one."""
    site = add_site(conn, f"S{n}", ZONE)
    for k in range(10):
        add_unit(conn, f"S{n}-{k}", site, looked_on=TODAY - timedelta(days=40 if k < 3 else 5))


def a_peopled_site(conn: Connection, n: int) -> None:
    """Ten units, one lent in the place of another; a spare, responders, a contact who leaves, a closed neighbour."""
    site = add_site(conn, f"S{n}", ZONE, responders=1)
    ids = [add_unit(conn, f"S{n}-{k}", site, looked_on=TODAY - timedelta(days=40 if k < 3 else 5)) for k in range(10)]
    good = TODAY + timedelta(days=900)
    conn.execute(
        insert(parts).values(site_id=site, kind="pads-adult", state="spare", last_good_day=good, label_date=str(good))
    )
    trained(conn, add_person(conn, f"R{n}", "responder", (site,)), date(2026, 2, 10), good)
    add_person(conn, f"C{n}", "site-contact", (site,), left_on=TODAY + timedelta(days=10))
    values = {"unit_id": ids[8], "covers_id": ids[9], "at": START, "since": TODAY, "over": False}
    conn.execute(insert(loans).values(**values))
    closed = add_site(conn, f"SHUT{n}", ZONE)
    conn.execute(insert(closures).values(site_id=closed, from_on=TODAY, until_on=TODAY + timedelta(days=30)))


def night(program: Program, on: date) -> RoundResult:
    result = run_round(program, ZONE, on, BOOK)
    assert result is not None
    return result


def quiet_night(program: Program, on: date) -> list[str]:
    before = everything(program.store)
    with statements(program) as asked:
        result = night(program, on)
    assert (result.moves, result.cases_opened, result.cases_closed) == (0, 0, 0)
    assert everything(program.store) == before
    return asked


@pytest.mark.parametrize(("build", "at_most"), [(a_site, BARE), (a_peopled_site, FULL)])
def test_a_quiet_night_takes_few_statements_and_ten_times_the_units_take_no_more(
    program: Program, build: Any, at_most: int
) -> None:
    with program.store.write() as conn:
        build(conn, 0)
    assert night(program, TODAY).units == 10
    few = quiet_night(program, TODAY + timedelta(days=1))
    with program.store.write() as conn:
        for n in range(1, 10):
            build(conn, n)
    grown = night(program, TODAY + timedelta(days=2))
    assert grown.units == 100
    assert grown.moves > 0
    many = quiet_night(program, TODAY + timedelta(days=3))
    assert len(few) <= at_most, few
    assert len(many) == len(few), sorted(set(many) ^ set(few))


def test_a_quiet_night_writes_only_that_it_was(program: Program) -> None:
    with program.store.write() as conn:
        a_peopled_site(conn, 0)
    night(program, TODAY)
    asked = quiet_night(program, TODAY + timedelta(days=1))
    written = sorted(" ".join(statement.split()[:3]) for statement in asked if not statement.startswith("SELECT"))
    assert written == ["INSERT INTO beats", "INSERT INTO ledger", "UPDATE fleet SET", "UPDATE ledger SET"]
