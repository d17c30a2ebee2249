"""Opposite ways of running the same nights: each of them, or only the last. The same duties, the same open cases."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.demo.fleet import write_fleet
from nightround.register.importing import import_file
from nightround.rounds.rulebook import load as load_rulebook
from nightround.rounds.tonight import reckon_units, run_owed
from nightround.settings import Settings
from nightround.store.database import open_store
from nightround.store.tables import cases, conditions, duties
from tests.conftest import Clock

MADE_FOR = date(2026, 11, 25)


def lived(
    folder: Path, url: str, settings: Settings, nights: list[int], then: Callable[[Program], None] | None = None
) -> dict[str, Any]:
    """What stands in the register after rounds on those days since the import, and nothing else was recorded."""
    store, clock = open_store(url), Clock(datetime(2026, 11, 25, 12, 0, tzinfo=UTC))
    program = Program(settings, store, clock)
    report = import_file(program, folder)
    assert not report.problems
    book = load_rulebook(settings)
    reckon_units(program, report.touched, book)
    for night in nights:
        clock.now = datetime(2026, 11, 25, 12, 0, tzinfo=UTC) + timedelta(days=night)
        run_owed(program, book)
    with store.read() as conn:
        owed = (duties.c.holder, duties.c.key, duties.c.standing, duties.c.opens, duties.c.order_by, duties.c.deadline)
        owed = (*owed, duties.c.last_good_day, duties.c.because, duties.c.not_recorded_since)
        case = (cases.c.cause, cases.c.kind, cases.c.severity, cases.c.what, cases.c.paused, cases.c.paused_until)
        found = {
            "duties": sorted(tuple(row) for row in conn.execute(select(*owed))),
            "conditions": sorted(
                tuple(row) for row in conn.execute(select(conditions.c.unit_id, conditions.c.condition))
            ),
            "cases": sorted(tuple(row) for row in conn.execute(select(*case).where(cases.c.closed_at.is_(None)))),
        }
    store.close()
    return found


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    write_fleet(tmp_path / "demo", 60, 1, MADE_FOR, lambda done, total: None)
    # A unit in Germany of which nobody knows since when: the rule of 2027 begins to ask for it on the way.
    with (tmp_path / "demo" / "sites.csv").open(encoding="utf-8") as file:
        site = next(row["site"] for row in csv.DictReader(file) if row["country"] == "DE")
    with (tmp_path / "demo" / "units.csv").open(encoding="utf-8") as file:
        heading = file.readline().strip().split(",")
    told = {"unit": "OLD-99", "site": site}
    with (tmp_path / "demo" / "units.csv").open("a", encoding="utf-8") as file:
        file.write(",".join(told.get(name, "") for name in heading) + "\n")
    return tmp_path / "demo"


def test_the_last_night_alone_gives_what_every_night_gives(
    fleet: Path, database_of: Callable[[str], str], settings: Settings
) -> None:
    every = lived(fleet, database_of("sqlite"), settings, list(range(1, 61)))
    last = lived(fleet, database_of("sqlite"), settings, [60])
    some = lived(fleet, database_of("sqlite"), settings, [3, 29, 41, 60])
    asked = [row for row in every["duties"] if row[1] == "self-test-report"]
    assert {row[-1] for row in asked} == {date(2027, 1, 1)}
    for name in ("duties", "conditions", "cases"):
        assert set(last[name]) ^ set(every[name]) == set(), name
        assert set(some[name]) ^ set(every[name]) == set(), name
