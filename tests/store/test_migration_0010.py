"""A database whose units were moved before goes forward: where they stood is kept as the program writes it since."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from sqlalchemy import text
from tests.conftest import START

from nightround.reckoning.facts import Place, Stay
from nightround.rounds.loading import load
from nightround.store.database import Store
from nightround.store.schema import migrate


@pytest.fixture
def moved(first_schema: Store) -> Store:
    """One unit that came from Germany, by a move within and one that is struck; one that moved within a country."""

    def put(table: str, **values: Any) -> None:
        names, marks = ", ".join(values), ", ".join(f":{name}" for name in values)
        conn.execute(text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), values)

    def entry(number: int, unit: int, at: str, to: str, origin: str, strikes: int | None = None) -> None:
        readings = {} if strikes else {"site": to, "from": origin, "from-spot": "", "from-floor": ""}
        put(
            "log", id=number, unit_id=unit, at=at, written_at=at, entry="struck" if strikes else "moved",
            readings=json.dumps(readings), strikes=strikes, digest=f"{number}", prev_hash=f"{number}", hash=f"{number}",
        )  # fmt: skip

    with first_schema.write() as conn:
        for number, site, zone, country in (
            (1, "B", "Europe/Berlin", "DE"), (2, "H", "Europe/Berlin", "DE"), (3, "S", "Asia/Seoul", "KR"),
        ):  # fmt: skip
            put("sites", id=number, site=site, time_zone=zone, country=country)
        for number, site_id in ((1, 3), (2, 2)):
            put("units", id=number, unit=f"U{number}", site_id=site_id, label=f"l{number}")
            put("evidence", unit_id=number)
        entry(1, 1, "2026-10-01 08:00:00", "H", "B")
        entry(2, 1, "2026-11-01 08:00:00", "B", "H")
        entry(3, 1, "2026-11-02 08:00:00", "", "", strikes=2)
        entry(4, 1, "2026-11-21 16:00:00", "S", "H")
        entry(5, 2, "2026-11-21 16:00:00", "H", "B")
    return first_schema


def test_where_a_unit_came_from_is_known_afterwards(moved: Store) -> None:
    migrate(moved, START)
    with moved.read() as conn:
        one, other = load(conn, [1, 2])
    assert one.facts.evidence.placing is not None
    # 16:00 in UTC is the next day in Seoul.
    assert one.facts.evidence.placing.stays == (
        Stay(None, Place("", "DE", "", "")),
        Stay(date(2026, 11, 22), Place("", "KR", "", "")),
    )
    assert other.facts.evidence.placing is None
