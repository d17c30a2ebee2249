"""A unit's page after a discard: what is gone says so, and nobody is offered to correct it."""

from __future__ import annotations

from datetime import date, timedelta

from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.register.discarding import discard
from nightround.register.log import NewEntry, append_many
from nightround.store.tables import units

from .conftest import NewVisitor, words


def test_a_discarded_entry_says_so_and_cannot_be_struck(settled: Program, visitor: NewVisitor) -> None:
    now = settled.clock()
    with settled.store.write() as conn:
        unit = conn.execute(select(units.c.id).where(units.c.unit == "MILL-01")).scalar_one()
        old = [
            NewEntry(unit, now - timedelta(days=days), "check", "P1", {"self-test": "ok"}, note=f"seen {days}")
            for days in (1000, 900, 800)
        ]
        first, second, _ = append_many(conn, old, now - timedelta(days=700))
    found = discard(settled.store, [], date(2025, 11, 25), now, "P1")
    assert {first, second} <= {entry for plan in found.plans for entry in plan.going}
    page = visitor(settled, "P1").get("/units/MILL-01")
    said = words(page)
    assert "What this entry said was discarded." in said
    assert "by whom is not recorded" in said
    assert "old entries discarded" in said
    assert "seen 1000" not in said
    assert f"Strike entry {first}" not in said
    assert f"Strike entry {found.entries[0]}" not in said
