"""Small builders: a unit with a log, rules about records, and what there is to compare before and after."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, insert, select

from nightround.reckoning.facts import Evidence
from nightround.reckoning.rules import Rule, Shape, Span, Subject
from nightround.register.evidence import as_row, refresh
from nightround.register.log import NewEntry, append_many
from nightround.store.database import Store
from nightround.store.tables import evidence, log, people
from tests.reckoning.core.build import rule
from tests.rounds.night.build import add_site, add_unit

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
GOOD = {"self-test": "ok", "battery": "4/4", "pads": "ok", "scope": "inspection"}


def day(text: str) -> datetime:
    return datetime.fromisoformat(f"{text}T10:00+00:00")


def keep(span: Span, n: int = 0, **more: object) -> Rule:
    return rule(f"keep-{span}".replace(" ", "-"), Subject.RECORDS, Shape(span, n), **more)


def entry(unit: int, at: str, what: str = "check", by: str = "ADA", note: str = "", **part: str) -> NewEntry:
    readings = GOOD if what == "check" else {}
    return NewEntry(unit, day(at), what, by, readings, part, note)


def fleet_of(store: Store, *codes: str, zone: str = "Europe/Berlin", country: str = "") -> list[int]:
    """Units at one site, and ADA, whom the register knows."""
    with store.write() as conn:
        conn.execute(insert(people).values(person="ADA"))
        site = add_site(conn, "MILL", zone, country)
        return [add_unit(conn, code, site, looked_on=None) for code in codes]


def written(store: Store, entries: Sequence[NewEntry]) -> list[int]:
    with store.write() as conn:
        ids = append_many(conn, entries, NOW)
        refresh(conn, {entry.unit_id for entry in entries})
    return ids


def monthly(unit: int, first: int = 2023, last: int = 2026, **more: str) -> list[NewEntry]:
    """A good check on the first of each month, to October of the last year."""
    return [
        entry(unit, f"{year}-{month:02}-01", **more)
        for year in range(first, last + 1)
        for month in range(1, 13)
        if (year, month) <= (last, 10)
    ]


def known(store: Store, unit_ids: Sequence[int]) -> list[tuple[Any, ...]]:
    """The evidence rebuilt from the log as it stands."""
    with store.write() as conn:
        return evidence_rows(conn, unit_ids)


def evidence_rows(conn: Connection, unit_ids: Sequence[int]) -> list[tuple[Any, ...]]:
    refresh(conn, unit_ids)
    query = select(evidence).where(evidence.c.unit_id.in_(unit_ids)).order_by(evidence.c.unit_id)
    found = {row.unit_id: tuple(row) for row in conn.execute(query)}
    # No row and one in which everything is empty say the same.
    empty = as_row(0, Evidence())
    nothing = [tuple(empty[column.name] for column in evidence.c if column.name != "unit_id")]
    return [(unit_id, found[unit_id][1:]) for unit_id in sorted(found) if found[unit_id][1:] not in nothing]


def rows(store: Store) -> dict[int, Any]:
    with store.read() as conn:
        return {row.id: row for row in conn.execute(select(log).order_by(log.c.id))}


def later(**by: float) -> datetime:
    return NOW + timedelta(**by)
