"""A closed site holds back what can wait, never what is urgent; its dates stay where they are."""

from __future__ import annotations

from datetime import date, timedelta

from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.rounds.tonight import reckon_units, run_round
from nightround.store.tables import cases, closures, duties

from .build import BOOK, TODAY, add_site, add_unit, everything

BERLIN = "Europe/Berlin"


def _closed(program: Program, site: int, first: date, last: date | None) -> None:
    with program.store.write() as conn:
        conn.execute(insert(closures).values(site_id=site, from_on=first, until_on=last))


def _open_cases(program: Program) -> list[tuple[str, str, date | None]]:
    with program.store.read() as conn:
        query = select(cases.c.kind, cases.c.paused, cases.c.paused_until).where(cases.c.closed_at.is_(None))
        return sorted((row[0], row[1], row[2]) for row in conn.execute(query))


def test_what_can_wait_is_paused_from_its_beginning_while_the_site_is_closed(program: Program) -> None:
    with program.store.write() as conn:
        site = add_site(conn, "MILL")
        add_unit(conn, "MILL-01", site, looked_on=TODAY - timedelta(days=33))
    _closed(program, site, TODAY, TODAY + timedelta(days=1))
    last = TODAY + timedelta(days=1)
    held = ("overdue", "closed", last)
    for days, found in ((0, held), (1, held), (2, ("overdue", "", None))):
        run_round(program, BERLIN, TODAY + timedelta(days=days), BOOK)
        assert _open_cases(program) == [found]


def test_a_case_that_stands_open_is_paused_until_the_last_closed_day(program: Program) -> None:
    with program.store.write() as conn:
        site = add_site(conn, "MILL")
        unit = add_unit(conn, "MILL-01", site, looked_on=TODAY - timedelta(days=33))
    run_round(program, BERLIN, TODAY, BOOK)
    _closed(program, site, TODAY, TODAY + timedelta(days=3))
    reckon_units(program, [unit], BOOK)
    assert _open_cases(program) == [("overdue", "closed", TODAY + timedelta(days=3))]
    run_round(program, BERLIN, TODAY + timedelta(days=4), BOOK)
    assert _open_cases(program) == [("overdue", "", None)]


def test_what_is_urgent_is_told_at_a_closed_site_too(program: Program) -> None:
    with program.store.write() as conn:
        site = add_site(conn, "MILL")
        add_unit(conn, "MILL-01", site, pads=TODAY - timedelta(days=1))
    _closed(program, site, TODAY, None)
    run_round(program, BERLIN, TODAY, BOOK)
    assert [(kind, paused) for kind, paused, _ in _open_cases(program)] == [("not-to-be-relied-on", "")]


def test_no_duty_is_another_because_its_site_is_closed(program: Program) -> None:
    with program.store.write() as conn:
        site = add_site(conn, "MILL")
        for number, days in enumerate((5, 33)):
            add_unit(conn, f"MILL-{number}", site, looked_on=TODAY - timedelta(days=days))
    run_round(program, BERLIN, TODAY, BOOK)
    before = everything(program.store)["duties"]
    _closed(program, site, TODAY - timedelta(days=10), None)
    run_round(program, BERLIN, TODAY, BOOK, again=True)
    assert everything(program.store)["duties"] == before
    with program.store.read() as conn:
        assert "overdue" in conn.execute(select(duties.c.standing)).scalars().all()
