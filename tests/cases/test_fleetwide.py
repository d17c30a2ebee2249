"""Matters of no one site: mail that was given up, and rounds that were missed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select, update

from nightround import sweeping
from nightround.bootstrap import Program
from nightround.cases import fleetwide, listing
from nightround.cases.history import history
from nightround.cases.taking import take
from nightround.errors import UserError
from nightround.rounds.tonight import run_owed
from nightround.store.tables import cases, messages, people
from tests.conftest import Clock
from tests.rounds.night.build import BOOK, small_fleet

MAIL = "ada@example.org"


def add_person(program: Program, email: str = MAIL) -> int:
    with program.store.write() as conn:
        row = insert(people).values(person="P1", name="Ada Ferrow", email=email, whole_fleet=True)
        return int(conn.execute(row.returning(people.c.id)).scalar_one())


def letter(program: Program, person: int, state: str, to: str = MAIL, kind: str = "weekly") -> None:
    now = program.clock()
    with program.store.write() as conn:
        number = len(conn.execute(select(messages.c.id)).all())
        conn.execute(
            insert(messages).values(
                key=f"k{number}",
                kind=kind,
                person_id=person,
                to_address=to,
                subject="s",
                message_id=f"<{number}@example.org>",
                body=b"",
                urgent=False,
                created_at=now,
                state=state,
                next_try_at=now,
                last_answer="550 no such\nmailbox",
            )
        )


def open_now(program: Program) -> list[Any]:
    with program.store.read() as conn:
        return list(conn.execute(select(cases).where(cases.c.closed_at.is_(None))))


def test_a_letter_given_up_opens_one_case_until_a_later_one_arrives(program: Program, clock: Clock) -> None:
    person = add_person(program)
    letter(program, person, "sent")
    assert fleetwide.look(program, clock.now) == (0, 0)
    letter(program, person, "given up")
    assert fleetwide.look(program, clock.now) == (1, 0)
    assert fleetwide.look(program, clock.now) == (0, 0)
    (case,) = open_now(program)
    assert (case.cause, case.kind, case.severity, case.site_id) == (f"p{person}/mail", "mail-given-up", "soon", None)
    with program.store.read() as conn:
        (shown,) = listing.listed(conn, clock.now)
    assert shown["reasons"] == ["no letter gets through to Ada Ferrow (P1): 550 no such mailbox"]
    assert (shown["person"], shown["site"], shown["unit"]) == ("P1", None, None)
    letter(program, person, "waiting")
    assert fleetwide.look(program, clock.now) == (0, 0)
    letter(program, person, "sent")
    assert fleetwide.look(program, clock.now) == (0, 1)
    with program.store.read() as conn:
        assert [event.what for event in history(conn, case.id)] == ["opened", "closed"]


@pytest.mark.parametrize("to", ["", "other@example.org"])
def test_another_address_or_none_closes_it(program: Program, clock: Clock, to: str) -> None:
    person = add_person(program)
    letter(program, person, "given up")
    fleetwide.look(program, clock.now)
    with program.store.write() as conn:
        conn.execute(update(people).values(email=to))
    assert fleetwide.look(program, clock.now) == (0, 1)


def test_a_test_letter_is_nobodys_matter(program: Program, clock: Clock) -> None:
    letter(program, add_person(program), "given up", kind="test")
    assert fleetwide.look(program, clock.now) == (0, 0)


def test_a_round_that_is_more_than_28_hours_old_is_an_urgent_case_until_one_is_done(
    program: Program, clock: Clock
) -> None:
    small_fleet(program.store)
    run_owed(program, BOOK)
    clock.forward(hours=28)
    assert fleetwide.look(program, clock.now) == (0, 0)
    clock.forward(minutes=1)
    assert fleetwide.look(program, clock.now) == (1, 0)
    case = next(row for row in open_now(program) if row.kind == "round-missed")
    assert (case.cause, case.zone, case.severity) == ("z/Europe/Berlin", "Europe/Berlin", "urgent")
    clock.forward(hours=5)
    assert fleetwide.look(program, clock.now) == (0, 0)
    run_owed(program, BOOK)
    assert fleetwide.look(program, clock.now) == (0, 1)


def test_a_zone_without_any_round_is_missed_once_the_fleet_is_old_enough(program: Program, clock: Clock) -> None:
    small_fleet(program.store)
    assert fleetwide.look(program, clock.now) == (0, 0)
    clock.forward(hours=29)
    assert fleetwide.look(program, clock.now) == (1, 0)


def test_a_night_that_fails_is_told_all_the_same(
    program: Program, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    small_fleet(program.store)
    clock.forward(hours=29)

    def fail(*_: Any, **__: Any) -> None:
        raise RuntimeError("no rule book")

    monkeypatch.setattr(sweeping, "run_owed", fail)
    add_person(program)
    with pytest.raises(RuntimeError, match="no rule book"):
        sweeping.look_round(program)
    assert [row.kind for row in open_now(program)] == ["round-missed"]


def test_taking_a_group_takes_its_members_and_lists_stand_for_them(program: Program, clock: Clock) -> None:
    from tests.rounds.night.test_cases_of_the_night import night, school

    add_person(program)
    school(program, 6)
    night(program)
    with program.store.read() as conn:
        (group,) = listing.listed(conn, clock.now)
    assert [one["unit"] for one in group["members"]] == [f"MILL-{n:02}" for n in range(1, 7)]
    until = clock.now + timedelta(hours=4)
    with program.store.write() as conn:
        take(conn, group["case"], "P1", until, clock.now)
        assert set(conn.execute(select(cases.c.taken_by)).scalars()) == {"P1"}
    with program.store.read() as conn:
        one = listing.one(conn, group["case"], clock.now)
        assert one["said"] == "taken by P1"
        assert [event["what"] for event in one["history"]] == ["opened", "taken"]
        assert listing.listed(conn, clock.now, listing.Which.CLOSED) == []
        with pytest.raises(UserError, match="no case 999"):
            listing.one(conn, 999, clock.now)
