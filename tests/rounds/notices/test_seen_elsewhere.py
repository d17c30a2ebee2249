"""Where else a notice shows: in letters of another day and in calendars, in words that fit it."""

from __future__ import annotations

import re
from datetime import date

import pytest
from sqlalchemy import insert, select, true

from nightround.bootstrap import Program
from nightround.calendars import feed, keys
from nightround.calendars.reading import TASKS
from nightround.letters.situation import Reckoned
from nightround.rounds.tonight import run_round
from nightround.store.tables import duties, parts, sites
from tests.rounds.night.build import BOOK

from .build import LOTS, NOTICE, fleet, put

ON = date(2026, 12, 12)
UNTIL_FIXED = re.sub(r"(underway|complete)_by = .*\n", "", NOTICE)


@pytest.fixture
def noticed(program: Program) -> Program:
    """The fleet under two notices, a spare of a named lot at its site, and one of a lot that nobody recorded."""
    fleet(program)
    with program.store.write() as conn:
        site = conn.execute(select(sites.c.id)).scalar_one()
        spare = {"site_id": site, "kind": "pads-adult", "state": "spare", "last_good_day": date(2029, 1, 31)}
        conn.execute(insert(parts), [spare | {"lot": "L-100"}, spare | {"lot": ""}])
    put(program, NOTICE)
    put(program, LOTS)
    return program


def test_a_letter_of_another_day_reckons_what_the_round_of_that_day_finds(noticed: Program) -> None:
    run_round(noticed, "Europe/Berlin", ON, BOOK)
    with noticed.store.read() as conn:
        preview = {
            (owed.holder, owed.key): (owed.standing, owed.last_good_day, owed.because)
            for owed in Reckoned(conn, BOOK, true(), ON, noticed.settings).duties()
        }
        columns = (duties.c.holder, duties.c.key, duties.c.standing, duties.c.last_good_day, duties.c.because)
        stored = {(row[0], row[1]): tuple(row[2:]) for row in conn.execute(select(*columns))}
    assert preview == stored
    assert sum(key.startswith("notice/") for _, key in stored) == 4


def test_a_notice_without_a_day_is_a_task_that_stays_open(program: Program) -> None:
    fleet(program)
    put(program, UNTIL_FIXED)
    run_round(program, "Europe/Berlin", ON, BOOK)
    with program.store.write() as conn:
        made, _ = keys.add(conn, program.clock())
    text = feed.build(program, made, TASKS).body.decode().replace("\r\n ", "")
    task = next(
        item for item in text.split("BEGIN:VTODO") if "SUMMARY:Notice FSN-7 (class II): relay may stick: IN-1" in item
    )
    assert "No last day is set. It stays open until it is recorded as done." in task
    assert "source: letter of the maker\\, published 2026-11-20" in task
    assert "DUE" not in task
