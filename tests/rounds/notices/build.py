"""A fleet that a notice means in part: in the range, outside, without a serial, and of another model."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.reckoning.notices import Notice
from nightround.register.log import NewEntry
from nightround.register.noticefile import parse_notice
from nightround.register.notices import add
from nightround.register.recording import record
from nightround.store.tables import cases, conditions, duties, moves, parts, people, units
from tests.conftest import START
from tests.rounds.night.build import add_site, add_unit

MODEL = "Orrel Twin"
NOTICE = """
reference = "FSN-7"
class = "II"
title = "relay may stick"
source = "letter of the maker"
issued_by = "manufacturer"
published_on = 2026-11-20
action = "update"
what_to_do = "Have the firmware updated."
underway_by = 2026-12-11
complete_by = 2027-01-01
[[concerns]]
models = ["Orrel Twin"]
serials = [{ from = "205787", to = "207509" }]
"""
STOP = NOTICE.replace('"update"', '"stop using"')
LOTS = """
reference = "FSN-9"
title = "pads may not stick"
source = "letter of the maker"
issued_by = "manufacturer"
published_on = 2026-11-20
action = "keep in service"
complete_by = 2026-12-11
[[concerns]]
every_model = true
parts = ["pads-adult"]
lots = ["L-100"]
"""


def fleet(program: Program) -> dict[str, int]:
    """IN-1 and IN-2 lie in the range, OUT lies outside, BARE has no serial, ALIEN is of another model."""
    with program.store.write() as conn:
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
        site = add_site(conn, "MILL")
        found = {
            code: add_unit(conn, code, site, model=model, serial=serial, looked_on=None)
            for code, serial, model in (
                ("IN-1", "205787", MODEL),
                ("IN-2", "207509", MODEL),
                ("OUT", "207510", MODEL),
                ("BARE", "", MODEL),
                ("ALIEN", "205787", "Quennick S"),
            )
        }
        for unit_id in found.values():
            conn.execute(parts.update().where(parts.c.unit_id == unit_id).values(lot="L-7"))
            looked = NewEntry(unit_id, START - timedelta(days=5), "check", "P1", {"self-test": "ok"})
            record(conn, looked, START)
        return found


def put(program: Program, text: str) -> Notice:
    notice = parse_notice(text, "given.toml")
    with program.store.write() as conn:
        add(conn, notice, text, program.clock())
    return notice


def do(program: Program, unit_id: int, entry: str, **readings: str) -> None:
    with program.store.write() as conn:
        record(conn, NewEntry(unit_id, START, entry, "P1", readings), START)


def owed(program: Program, *columns: Any) -> dict[str, tuple[Any, ...]]:
    """Of each unit that owes a notice, these columns of the duty."""
    with program.store.read() as conn:
        query = select(units.c.unit, *columns).join(units, units.c.id == duties.c.unit_id)
        return {unit: tuple(rest) for unit, *rest in conn.execute(query.where(duties.c.kind == "notice"))}


def condition(program: Program, code: str) -> str:
    with program.store.read() as conn:
        query = select(conditions.c.condition).join(units, units.c.id == conditions.c.unit_id)
        return str(conn.execute(query.where(units.c.unit == code)).scalar_one())


def open_cases(program: Program) -> dict[str, str]:
    with program.store.read() as conn:
        query = select(units.c.unit, cases.c.kind).join(units, units.c.id == cases.c.unit_id)
        return {row.unit: row.kind for row in conn.execute(query.where(cases.c.closed_at.is_(None)))}


def moved(program: Program) -> int:
    with program.store.read() as conn:
        return len(conn.execute(select(moves.c.id)).all())
