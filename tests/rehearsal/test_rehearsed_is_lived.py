"""What is rehearsed is what happens: the real program, driven through the same days, sends the same letters."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.cases.taking import take
from nightround.register.days_off import add_absence
from nightround.register.leaving import leave
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.rehearsal.rehearsing import coming_days, rehearse
from nightround.rounds.atonce import reckon_people
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import cases
from tests.conftest import Clock

from .build import furnish, live, receiving, rows, told

QUARTER = timedelta(minutes=15)


@pytest.fixture
def quarters(program: Program, clock: Clock) -> Program:
    """The program looking round every quarter of an hour, which is the longest that the settings allow."""
    program.settings.rounds.tick_seconds = 900
    furnish(program, clock().date())
    return program


def _compare(program: Program, clock: Clock, days: int, suppose: Path | None = None, **lived: Any) -> list[Any]:
    wanted = coming_days(program, days)
    before = rows(program.store)
    found = rehearse(program, wanted, suppose)
    assert rows(program.store) == before
    again = rehearse(program, wanted, suppose)
    assert again == found
    with receiving(program) as mail:
        really = live(program, clock, wanted.end, mail, every=QUARTER, **lived)
    assert told(found) == really
    assert really
    return really


def test_a_week_is_lived_as_it_was_rehearsed(quarters: Program, clock: Clock) -> None:
    days = 6 if quarters.store.dialect == "sqlite" else 2
    got = _compare(quarters, clock, days)
    assert {one.kind for one in got} >= ({"weekly", "escalation"} if days > 5 else {"weekly"})


@pytest.mark.parametrize(
    "first",
    [
        datetime(2027, 3, 27, 9, 0, tzinfo=UTC),  # Berlin goes to summer time on 28 March 2027
        datetime(2026, 10, 31, 9, 0, tzinfo=UTC),  # Los Angeles to winter time on 1 November 2026
        datetime(2028, 2, 28, 9, 0, tzinfo=UTC),  # leap day
        datetime(2026, 12, 30, 9, 0, tzinfo=UTC),  # ISO week 53
    ],
    ids=["spring", "autumn", "leap-day", "year-end"],
)
def test_odd_days_are_lived_as_they_were_rehearsed(
    sqlite_store: Any, settings: Any, clock: Clock, first: datetime
) -> None:
    clock.now = first
    program = Program(settings, sqlite_store, clock)
    settings.rounds.tick_seconds = 900
    furnish(program, first.date())
    _compare(program, clock, 3)


def test_what_is_supposed_is_lived_as_it_was_rehearsed(quarters: Program, clock: Clock, tmp_path: Path) -> None:
    file = tmp_path / "suppose.toml"
    file.write_text(
        """
        [[used]]
        unit = "BAY-02"
        by = "ada"
        at = 2026-11-26
        [[fault]]
        unit = "COVE-02"
        at = 2026-11-26T15:20:00Z
        note = "it beeps"
        [[taken]]
        unit = "BAY-02"
        by = "ada"
        at = "2026-11-26T14:10"
        until = 2026-11-27T09:00:00
        [[away]]
        person = "bo"
        from = 2026-11-26
        until = 2026-11-26
        [[leaves]]
        person = "ada"
        on = 2026-11-26
        replaced_by = "mo"
        [[smtp_down]]
        from = 2026-11-27T03:00:00Z
        until = 2026-11-27T16:30:00Z
        """,
        encoding="utf-8",
    )

    def log(unit_id: int, entry: str, at: datetime, by: str = "", note: str = "") -> Callable[[], None]:
        def act() -> None:
            with quarters.store.write() as conn:
                record(conn, NewEntry(unit_id, at, entry, by, note=note), clock())
            reckon_units(quarters, [unit_id])

        return act

    def away() -> None:
        with quarters.store.write() as conn:
            add_absence(conn, "bo", date(2026, 11, 26), date(2026, 11, 26))

    def leaves() -> None:
        with quarters.store.write() as conn:
            leave(conn, "ada", date(2026, 11, 26), "mo", now=clock())
        reckon_people(quarters)

    def taken() -> None:
        with quarters.store.write() as conn:
            for case_id in conn.execute(
                select(cases.c.id).where(cases.c.unit_id == 2, cases.c.closed_at.is_(None)).order_by(cases.c.id)
            ).scalars():
                take(conn, case_id, "ada", datetime(2026, 11, 27, 8, 0, tzinfo=UTC), clock())

    used_at, fault_at = datetime(2026, 11, 26, 11, 0, tzinfo=UTC), datetime(2026, 11, 26, 15, 20, tzinfo=UTC)
    acts = [
        (clock(), away),
        (clock(), leaves),
        (used_at, log(2, "used", used_at, "ada")),
        (datetime(2026, 11, 26, 13, 10, tzinfo=UTC), taken),
        (fault_at, log(4, "fault", fault_at, note="it beeps")),
    ]
    down = (datetime(2026, 11, 27, 3, 0, tzinfo=UTC), datetime(2026, 11, 27, 16, 30, tzinfo=UTC))
    quarters.settings.fleet.time_zone = "Europe/Berlin"
    got = _compare(quarters, clock, 3, file, acts=acts, down=down)
    assert not [one for one in got if down[0] <= one.at < down[1]]
    assert any("BAY-02" in one.subject for one in got)
