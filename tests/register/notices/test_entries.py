"""What the log says about notices: only by known persons, about notices on record, and in words that count."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.reckoning.facts import Use
from nightround.register.log import NewEntry
from nightround.register.noticefile import parse_notice
from nightround.register.notices import add
from nightround.register.recording import record, strike
from nightround.store.tables import evidence, log, people
from tests.conftest import START
from tests.rounds.night.build import add_site, add_unit

from .build import LEAST


@pytest.fixture
def unit(program: Program) -> int:
    with program.store.write() as conn:
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
        add(conn, parse_notice(LEAST, "fsn-8.toml"), LEAST, START)
        return add_unit(conn, "MILL-01", add_site(conn, "MILL"), looked_on=None)


def do(program: Program, unit: int, entry: str, by: str = "P1", days_ago: int = 0, **readings: str) -> int:
    new = NewEntry(unit, START - timedelta(days=days_ago), entry, by, readings)
    with program.store.write() as conn:
        return record(conn, new, START)


def said(program: Program, unit: int) -> Any:
    with program.store.read() as conn:
        row = conn.execute(select(evidence).where(evidence.c.unit_id == unit)).first()
    return None if row is None else row


def test_what_is_done_about_a_notice_is_kept_with_its_day(program: Program, unit: int) -> None:
    do(program, unit, "reported", days_ago=9, notice="FSN-8")
    do(program, unit, "reported", days_ago=5, notice="FSN-8", stage="complete")
    do(program, unit, "corrected", days_ago=2, notice="fsn-8")
    row = said(program, unit)
    assert json.loads(row.notices) == [
        ["FSN-8", "complete", "2026-11-20"],
        ["FSN-8", "corrected", "2026-11-23"],
        ["FSN-8", "underway", "2026-11-16"],
    ]


def test_a_report_about_a_notice_is_no_report_of_a_check_or_a_use(program: Program, unit: int) -> None:
    do(program, unit, "used", days_ago=3)
    do(program, unit, "reported", notice="FSN-8")
    row = said(program, unit)
    [use] = json.loads(row.uses)
    assert use[Use._fields.index("reported")] is False
    assert row.reported_on is None


def test_the_last_day_counts_and_a_struck_entry_does_not(program: Program, unit: int) -> None:
    do(program, unit, "corrected", days_ago=9, notice="FSN-8")
    later = do(program, unit, "corrected", days_ago=2, notice="FSN-8")
    assert json.loads(said(program, unit).notices) == [["FSN-8", "corrected", "2026-11-23"]]
    with program.store.write() as conn:
        strike(conn, later, "another unit", "P1", START)
    assert json.loads(said(program, unit).notices) == [["FSN-8", "corrected", "2026-11-16"]]


def test_the_reference_is_kept_as_it_is_on_record(program: Program, unit: int) -> None:
    entry_id = do(program, unit, "corrected", notice="fsn-8")
    with program.store.read() as conn:
        readings = conn.execute(select(log.c.readings).where(log.c.id == entry_id)).scalar_one()
    assert json.loads(readings) == {"notice": "FSN-8"}


@pytest.mark.parametrize(
    ("entry", "by", "readings", "why"),
    [
        ("corrected", "P1", {}, "needs to say after which notice"),
        ("corrected", "P1", {"notice": "FSN-9"}, "did you mean FSN-8"),
        ("corrected", "P1", {"notice": "FSN-8", "stage": "complete"}, "leave the stage out"),
        ("corrected", "", {"notice": "FSN-8"}, "counts only from a known person"),
        ("corrected", "P9", {"notice": "FSN-8"}, "counts only from a known person"),
        ("reported", "", {"notice": "FSN-8"}, "counts only from a known person"),
        ("reported", "P1", {"notice": "FSN-8", "stage": "nearly"}, "underway, complete, not-concerned"),
        ("reported", "P1", {"stage": "complete"}, "say which: --reading notice="),
        ("check", "P1", {"self-test": "ok", "notice": "FSN-8"}, "'check' says nothing about a notice"),
    ],
)
def test_what_would_count_for_nothing_is_refused(
    program: Program, unit: int, entry: str, by: str, readings: dict[str, str], why: str
) -> None:
    with pytest.raises(UserError, match=why):
        do(program, unit, entry, by, **readings)
    with program.store.read() as conn:
        assert conn.execute(select(log.c.id)).first() is None
