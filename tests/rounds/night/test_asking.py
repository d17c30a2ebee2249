"""What is owed and what is wrong today, asked of the store."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.rounds.asking import Wanted, duties_on, stored_duties
from nightround.rounds.todays import today
from nightround.rounds.tonight import run_round
from nightround.store.tables import evidence, people, person_roles, person_sites, sites
from tests.conftest import Clock

from .build import BOOK, TODAY, small_fleet

BERLIN = "Europe/Berlin"


@pytest.fixture
def ids(program: Program) -> list[int]:
    found = small_fleet(program.store)
    run_round(program, BERLIN, TODAY, BOOK)
    return found


def test_duties_come_worst_first_with_who_and_why(program: Program, ids: list[int]) -> None:
    with program.store.write() as conn:
        site = conn.execute(select(sites.c.id)).scalar_one()
        conn.execute(
            insert(people),
            [{"id": 1, "person": "ADA", "whole_fleet": False}, {"id": 2, "person": "BO", "whole_fleet": True}],
        )
        conn.execute(
            insert(person_roles), [{"person_id": 1, "role": "site-contact"}, {"person_id": 2, "role": "coordinator"}]
        )
        conn.execute(insert(person_sites).values(person_id=1, site_id=site))
    with program.store.read() as conn:
        found = stored_duties(conn, Wanted())
    assert [duty["standing"] for duty in found[:2]] == ["overdue", "overdue"]
    assert found[0]["last_good_day"] < found[1]["last_good_day"]
    looks = {duty["unit"]: duty["responsible"] for duty in found if duty["kind"] == "look"}
    assert set(looks.values()) == {"ADA"}
    assert {duty["responsible"] for duty in found if duty["kind"] == "battery"} == {"BO"}
    assert set(found[0]["because"][0]) >= {"rule", "force", "source", "last_good_day"}


def test_nobody_responsible_is_said(program: Program, ids: list[int]) -> None:
    with program.store.read() as conn:
        assert {duty["responsible"] for duty in stored_duties(conn, Wanted(standing="overdue"))} == {
            "no site-contact recorded",
            "no coordinator recorded",
        }


def test_filters_narrow_and_unknown_ones_are_refused(program: Program, ids: list[int]) -> None:
    with program.store.read() as conn:
        assert {duty["unit"] for duty in stored_duties(conn, Wanted(unit="MILL-02"))} == {"MILL-02"}
        assert {duty["standing"] for duty in stored_duties(conn, Wanted(site="MILL", standing="not recorded"))} == {
            "not recorded"
        }
        soon = stored_duties(conn, Wanted(until=TODAY))
        assert soon
        assert all(duty["last_good_day"] <= TODAY for duty in soon)
        for wrong in (Wanted(unit="X"), Wanted(site="X"), Wanted(standing="late")):
            with pytest.raises(UserError):
                stored_duties(conn, wrong)


@pytest.mark.parametrize("days", [0, 1, 30, 90, 400])
def test_asking_for_a_day_gives_what_a_round_on_it_finds_and_writes_nothing(
    program: Program, ids: list[int], days: int
) -> None:
    on = TODAY + timedelta(days=days)
    with program.store.read() as conn:
        asked = duties_on(conn, BOOK, on, Wanted(), program.settings)
    run_round(program, BERLIN, on, BOOK, again=True)
    with program.store.read() as conn:
        assert stored_duties(conn, Wanted()) == asked


def test_today_says_what_is_wrong_and_how_old_the_last_round_is(program: Program, ids: list[int], clock: Clock) -> None:
    clock.forward(hours=2)
    with program.store.read() as conn:
        found = today(conn, clock())
    assert found["rounds"] == [{"zone": BERLIN, "hours_ago": 2.0, "late": False, "on": TODAY, "other_day": False}]
    assert found["conditions"] == {
        "in service": 1,
        "work due": 1,
        "not to be relied on": 1,
        "withdrawn": 0,
        "no evidence": 1,
    }
    assert [row["unit"] for row in found["not_to_be_relied_on"]] == ["MILL-02"]
    assert found["standings"]["overdue"] == len(found["overdue"]) == 2
    assert found["cases"] == {"open": 2, "taken": 0}
    clock.forward(hours=27)
    with program.store.read() as conn:
        assert today(conn, clock())["rounds"][0]["late"]


def test_a_withdrawn_unit_does_not_nag_today(program: Program, ids: list[int]) -> None:
    with program.store.write() as conn:
        conn.execute(update(evidence).where(evidence.c.unit_id == ids[2]).values(withdrawn_on=TODAY))
    run_round(program, BERLIN, TODAY, BOOK, again=True)
    with program.store.read() as conn:
        found = today(conn, program.clock())
        assert {duty["unit"] for duty in stored_duties(conn, Wanted(standing="overdue"))} == {"MILL-02", "MILL-03"}
    assert {duty["unit"] for duty in found["overdue"]} == {"MILL-02"}
    assert found["standings"]["overdue"] == 1
    assert found["conditions"]["withdrawn"] == 1


def test_a_fleet_without_rounds_is_late(program: Program) -> None:
    small_fleet(program.store)
    with program.store.read() as conn:
        assert today(conn, program.clock())["rounds"] == [
            {"zone": BERLIN, "hours_ago": None, "late": True, "on": None, "other_day": False}
        ]


def test_the_day_given_is_a_civil_date(program: Program, ids: list[int]) -> None:
    with program.store.read() as conn:
        assert duties_on(conn, BOOK, date(2028, 2, 29), Wanted(unit="MILL-01"), program.settings)


@pytest.mark.parametrize("days", [-400, -2, 1, 40])
def test_today_says_so_where_the_last_round_was_run_for_another_day(
    program: Program, ids: list[int], clock: Clock, days: int
) -> None:
    clock.forward(minutes=1)
    run_round(program, BERLIN, TODAY + timedelta(days=days), BOOK, again=True)
    with program.store.read() as conn:
        [found] = today(conn, clock())["rounds"]
    assert (found["on"], found["other_day"], found["late"]) == (TODAY + timedelta(days=days), True, False)
    clock.forward(minutes=1)
    run_round(program, BERLIN, TODAY, BOOK, again=True)
    with program.store.read() as conn:
        [found] = today(conn, clock())["rounds"]
    assert (found["on"], found["other_day"]) == (TODAY, False)


def test_before_the_night_s_hour_yesterday_s_round_is_the_present_one(
    program: Program, ids: list[int], clock: Clock
) -> None:
    clock.forward(hours=15)  # half past midnight in Berlin, and past it
    with program.store.read() as conn:
        [found] = today(conn, clock())["rounds"]
    assert (found["on"], found["other_day"], found["late"]) == (TODAY, False, False)
