"""A database of the first released schema, with rows in it, comes forward to the newest with nothing lost."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from tests.conftest import START

from nightround.cases.climbing import open_cases
from nightround.cases.ladders import Climb
from nightround.store.database import Store
from nightround.store.schema import current, migrate, newest

DAY = date(2026, 11, 25)


def first(store: Store) -> None:
    """What the first release would have left: a case told to two people on two days, one closed, one never told."""
    moment = START.replace(tzinfo=None) if store.dialect == "sqlite" else START

    def at(hours: float) -> datetime:
        return moment + timedelta(hours=hours)

    def put(table: str, **values: Any) -> None:
        names = ", ".join(f'"{name}"' for name in values)
        marks = ", ".join(f":{name}" for name in values)
        conn.execute(text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), values)

    with store.write() as conn:
        put("sites", id=1, site="MILL", time_zone="Europe/London")
        for number in (1, 2, 3):
            put("units", id=number, unit=f"M{number}", site_id=1, label=f"l{number}")
        put("people", id=1, person="ON", email="On@example.org")
        put("people", id=2, person="TWIN", email="on@example.org")
        put("people", id=3, person="CO", email="co@example.org")
        what = json.dumps([{"subject": "condition", "last_good_day": None, "reason": "fault since 2026-11-24",
                            "rule": "", "force": "", "source": ""}])  # fmt: skip
        for number, closed in ((1, None), (2, at(1)), (3, None)):
            put(
                "cases", id=number, cause=f"u{number}/not-to-be-relied-on", unit_id=number, site_id=1,
                kind="not-to-be-relied-on", severity="urgent", state="closed" if closed else "open", what=what,
                opened_on=DAY, opened_at=at(-30), found_at_import=False, closed_at=closed,
            )  # fmt: skip
        for number, (box, hours) in enumerate(
            (("On@example.org", -24), ("on@example.org", 0), ("co@example.org", 0)), 1
        ):
            put(
                "messages", id=number, key=f"k{number}", kind="escalation", person_id=number, to_address=box,
                subject="s",
                message_id=f"<{number}@example.org>", body=b"b", urgent=True, created_at=at(hours), state="sent",
                next_try_at=at(hours),
            )  # fmt: skip
        for case_id, person_id, step, message_id in (
            (1, 1, "2026-11-24", 1), (1, 1, "2026-11-25", 2), (1, 2, "2026-11-25", 2), (1, 3, "2026-11-25", 3),
            (2, 1, "2026-11-24", 1),
        ):  # fmt: skip
            put("tellings", case_id=case_id, person_id=person_id, step=step, message_id=message_id)


@pytest.fixture
def released(first_schema: Store) -> Store:
    first(first_schema)
    return first_schema


def test_tellings_become_the_first_step_of_the_ladder_and_the_past_is_kept(released: Store) -> None:
    migrate(released, START)
    assert current(released) == newest()
    with released.read() as conn:
        rows = conn.execute(
            text("SELECT case_id, mailbox, lap, rung, turn FROM tellings ORDER BY case_id, lap, mailbox, turn")
        ).all()
        assert [tuple(row) for row in rows] == [
            (1, "on@example.org", -1, 0, 20261124),
            (1, "co@example.org", 0, 0, 0),
            (1, "on@example.org", 0, 0, 0),
            (2, "on@example.org", -1, 0, 20261124),
        ]
        told, never = open_cases(conn, START)
        assert told.climb == Climb(0, 0, 0, START, START, "", "urgent")
        assert (never.id, never.climb) == (3, None)


def test_a_case_about_a_fault_has_the_cause_of_one_afterwards(released: Store) -> None:
    migrate(released, START)
    with released.read() as conn:
        kinds = {row.id: (row.cause, row.kind) for row in conn.execute(text("SELECT id, cause, kind FROM cases"))}
    assert kinds[1] == ("u1/fault", "fault")


def test_nothing_is_said_of_cases_that_were_closed_before(released: Store) -> None:
    migrate(released, START)
    with released.read() as conn:
        assert conn.execute(text("SELECT case_id FROM climbs")).scalars().all() == [1]


def test_midnight_of_another_zone_is_not_moved(released: Store) -> None:
    """Instants come through as they were; only their table changes."""
    migrate(released, START)
    with released.read() as conn:
        from nightround.store.tables import climbs

        (row,) = conn.execute(climbs.select()).all()
        assert row.since == datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
