"""Cases on both databases: opened by kind, raised, rested, told as one, and what became of each."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.rounds.tonight import reckon_units, run_round
from nightround.store.database import Store
from nightround.store.tables import case_events, cases, closures, duties, evidence, parts, units
from tests.conftest import Clock

from .build import BOOK, TODAY, add_site, add_unit, everything

BERLIN = "Europe/Berlin"


def night(program: Program, day: date = TODAY) -> Any:
    result = run_round(program, BERLIN, day, BOOK, again=True)
    assert result is not None
    return result


def rows(store: Store, *, open_only: bool = True) -> list[Any]:
    query = select(cases).order_by(cases.c.id)
    with store.read() as conn:
        return list(conn.execute(query.where(cases.c.closed_at.is_(None)) if open_only else query))


def kinds(store: Store) -> list[tuple[str, str, str]]:
    return [(row.kind, row.severity, row.paused) for row in rows(store)]


def events(store: Store, case_id: int) -> list[str]:
    query = select(case_events.c.what).where(case_events.c.case_id == case_id).order_by(case_events.c.id)
    with store.read() as conn:
        return list(conn.execute(query).scalars())


def says(program: Program, unit: int, **values: Any) -> None:
    with program.store.write() as conn:
        conn.execute(update(evidence).where(evidence.c.unit_id == unit).values(**values))


def school(program: Program, count: int, looked: int = 33) -> list[int]:
    """Units of one site, last looked at that many days ago (a look a month)."""
    with program.store.write() as conn:
        site = add_site(conn, "MILL")
        return [
            add_unit(conn, f"MILL-{n:02}", site, looked_on=TODAY - timedelta(days=looked)) for n in range(1, count + 1)
        ]


def test_each_reason_is_a_case_of_its_own_and_closes_by_itself(program: Program) -> None:
    (unit,) = school(program, 1, looked=5)
    night(program)
    used = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
    says(program, unit, fault_on=TODAY, fault="beeps", used_at=used, last_used_on=TODAY)
    reckon_units(program, [unit], BOOK)
    assert kinds(program.store) == [("fault", "urgent", ""), ("used", "urgent", "")]
    says(program, unit, fault_on=None, fault="")
    reckon_units(program, [unit], BOOK)
    assert [kind for kind, *_ in kinds(program.store)] == ["used"]
    fault = rows(program.store, open_only=False)[0]
    assert (fault.state, events(program.store, fault.id)) == ("closed", ["opened", "closed"])


def test_a_lesser_case_rests_while_the_unit_is_not_to_be_relied_on_and_keeps_its_number(program: Program) -> None:
    (unit,) = school(program, 1)
    night(program)
    (overdue,) = rows(program.store)
    says(program, unit, fault_on=TODAY, fault="beeps")
    night(program)
    assert kinds(program.store) == [("overdue", "soon", "unreliable"), ("fault", "urgent", "")]
    says(program, unit, fault_on=None, fault="")
    night(program)
    (again,) = rows(program.store)
    assert (again.id, again.paused) == (overdue.id, "")
    assert events(program.store, overdue.id) == ["opened", "paused", "resumed"]


def test_a_lesser_case_is_paused_from_its_beginning_while_a_unit_is_not_to_be_relied_on(program: Program) -> None:
    (unit,) = school(program, 1)
    says(program, unit, fault_on=TODAY, fault="beeps")
    night(program)
    # As it stands where the lesser was there first: how many nights there were makes no difference.
    assert kinds(program.store) == [("fault", "urgent", ""), ("overdue", "soon", "unreliable")]
    assert "1 other duty waits too" in rows(program.store)[0].what


def test_what_is_long_overdue_is_raised_under_its_number(program: Program) -> None:
    school(program, 1)
    night(program)
    (before,) = rows(program.store)
    later = night(program, TODAY + timedelta(days=29))
    (after,) = rows(program.store)
    assert (after.id, after.kind, later.cases_opened, later.cases_closed) == (before.id, "long-overdue", 0, 0)
    assert events(program.store, after.id) == ["opened", "raised"]


def test_what_is_not_recorded_becomes_a_case_when_it_has_stood_so_for_long(program: Program) -> None:
    with program.store.write() as conn:
        unit = add_unit(
            conn, "MILL-01", add_site(conn, "MILL"), looked_on=None, pads=None, battery=None, in_service_on=None
        )
    for days, expected in ((0, 0), (14, 0), (15, 1)):
        night(program, TODAY + timedelta(days=days))
        assert len(rows(program.store)) == expected
    with program.store.read() as conn:
        assert set(conn.execute(select(duties.c.not_recorded_since)).scalars()) == {TODAY}
    with program.store.write() as conn:
        conn.execute(insert(evidence).values(unit_id=unit, looked_on=TODAY))
        conn.execute(update(parts).values(last_good_day=TODAY + timedelta(days=900)))
    night(program, TODAY + timedelta(days=16))
    assert rows(program.store) == []
    with program.store.read() as conn:
        assert set(conn.execute(select(duties.c.not_recorded_since)).scalars()) == {None}


def test_a_site_that_is_closed_rests_its_routine_cases_and_never_an_urgent_one(program: Program) -> None:
    units_ = school(program, 2)
    night(program)
    says(program, units_[1], fault_on=TODAY, fault="beeps")
    with program.store.write() as conn:
        site = conn.execute(select(units.c.site_id)).scalars().first()
        until = TODAY + timedelta(days=10)
        conn.execute(insert(closures).values(site_id=site, from_on=TODAY, until_on=until))
    night(program)
    assert kinds(program.store) == [
        ("overdue", "soon", "closed"),
        ("overdue", "soon", "unreliable"),
        ("fault", "urgent", ""),
    ]
    assert rows(program.store)[0].paused_until == until
    night(program, until + timedelta(days=1))
    assert kinds(program.store)[0] == ("overdue", "soon", "")


def test_many_of_one_reason_are_one_case_that_closes_with_its_last_member(program: Program, clock: Clock) -> None:
    ids = school(program, 6)
    result = night(program)
    assert result.cases_opened == 6
    *members, group = rows(program.store)
    assert group.cause == f"s{group.site_id}/group/overdue/look"
    assert (group.kind, group.severity, group.unit_id, group.found_at_import) == ("overdue", "soon", None, True)
    assert {member.group_id for member in members} == {group.id}
    assert "6 units: MILL-01, MILL-02" in json.loads(group.what)[0]["reason"]
    before = everything(program.store)
    night(program)
    assert everything(program.store) == before
    for number, unit in enumerate(ids, 1):
        says(program, unit, looked_on=TODAY)
        reckon_units(program, [unit], BOOK)
        left = rows(program.store)
        assert len(left) == (7 - number if number < 6 else 0)
    assert events(program.store, group.id) == ["opened", *["reworded"] * 5, "closed"]
    assert events(program.store, members[0].id) == ["opened", "grouped", "closed"]


def test_a_newcomer_joins_the_group_and_one_with_more_to_do_leaves_it(program: Program) -> None:
    ids = school(program, 6)
    night(program)
    group = rows(program.store)[-1]
    with program.store.write() as conn:
        late = add_unit(conn, "MILL-99", group.site_id, looked_on=TODAY - timedelta(days=50))
        conn.execute(
            update(parts)
            .where(parts.c.unit_id == ids[0], parts.c.kind == "battery")
            .values(kind="kit-gloves", last_good_day=TODAY - timedelta(days=3))
        )
    night(program)
    now = {row.unit_id: row for row in rows(program.store)}
    assert now[late].group_id == group.id
    assert now[ids[0]].group_id is None
    assert "MILL-99" in now[None].what
    assert "MILL-01" not in now[None].what
    assert events(program.store, now[ids[0]].id) == ["opened", "grouped", "reworded", "ungrouped"]


def test_a_group_goes_along_when_all_its_members_come_to_owe_more(program: Program) -> None:
    ids = school(program, 5)
    night(program)
    group = rows(program.store)[-1]
    with program.store.write() as conn:
        for unit in ids:
            conn.execute(
                insert(parts).values(
                    unit_id=unit,
                    kind="pads-adult",
                    state="spare",
                    last_good_day=TODAY - timedelta(days=9),
                    label_date="",
                )
            )
    night(program)
    after = rows(program.store)[-1]
    assert (after.id, after.cause) == (group.id, f"s{group.site_id}/group/overdue/look+pads-adult-spare")
    assert {row.group_id for row in rows(program.store)[:-1]} == {group.id}
    assert "dissolved" not in events(program.store, group.id)


def test_a_unit_that_moves_takes_its_case_along_and_leaves_its_group(program: Program) -> None:
    ids = school(program, 5)
    night(program)
    group = rows(program.store)[-1]
    with program.store.write() as conn:
        other = add_site(conn, "POOL")
        conn.execute(update(units).where(units.c.id == ids[0]).values(site_id=other))
    reckon_units(program, [ids[0]], BOOK)
    moved = next(row for row in rows(program.store) if row.unit_id == ids[0])
    assert (moved.site_id, moved.group_id) == (other, None)
    assert "moved" in events(program.store, moved.id)
    night(program)
    group_now = next(row for row in rows(program.store) if row.id == group.id)
    assert "4 units: MILL-02" in group_now.what


def test_urgent_ones_are_each_told_alone(program: Program) -> None:
    for unit in school(program, 7, looked=5):
        says(program, unit, fault_on=TODAY, fault="beeps")
    night(program)
    assert len(rows(program.store)) == 7
    assert {row.group_id for row in rows(program.store)} == {None}
