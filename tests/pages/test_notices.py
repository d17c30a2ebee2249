"""A safety notice on the pages: what is owed until when, and what the log says of it."""

from __future__ import annotations

from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.register.log import NewEntry
from nightround.register.noticefile import parse_notice
from nightround.register.notices import add
from nightround.register.recording import record
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import units
from tests.conftest import START

from .conftest import NewVisitor, words
from .test_lists import rows

NOTICE = """
reference = "FSN-7"
title = "relay may stick"
source = "letter of the maker"
issued_by = "manufacturer"
published_on = 2026-11-20
action = "stop using"
what_to_do = "Send the unit in."
[[concerns]]
models = ["Tarnlight Five"]
serials = ["TF000001"]
"""


def noticed(program: Program) -> int:
    with program.store.write() as conn:
        add(conn, parse_notice(NOTICE, "fsn-7.toml"), NOTICE, START)
        unit_id: int = conn.execute(select(units.c.id).where(units.c.unit == "MILL-01")).scalar_one()
    reckon_units(program, [unit_id])
    return unit_id


def test_a_unit_that_is_to_be_used_no_more_says_why_and_what_is_asked(settled: Program, visitor: NewVisitor) -> None:
    noticed(settled)
    text = words(visitor(settled, "P1").get("/units/MILL-01"))
    assert "not to be relied on" in text
    assert "notice FSN-7 says stop using: relay may stick" in text
    assert "Stop using. Send the unit in." in text
    assert "letter of the maker, published 2026-11-20" in text


def test_a_notice_without_a_day_is_open_until_it_is_done(settled: Program, visitor: NewVisitor) -> None:
    noticed(settled)
    (row,) = rows(visitor(settled, "P1").get("/duties?kind=notice").text)
    assert "open until it is done" in row
    assert "by not recorded" not in row


def test_a_correction_shows_in_the_history_and_ends_it(settled_once: Program, visitor: NewVisitor) -> None:
    unit_id = noticed(settled_once)
    with settled_once.store.write() as conn:
        record(conn, NewEntry(unit_id, START, "corrected", "P1", {"notice": "FSN-7"}), START)
    reckon_units(settled_once, [unit_id])
    text = words(visitor(settled_once, "P1").get("/units/MILL-01"))
    assert "corrected after a notice" in text
    assert "says stop using" not in text


def test_a_correction_without_its_notice_is_refused_in_a_sentence(settled_once: Program, visitor: NewVisitor) -> None:
    answer = visitor(settled_once, "P1").send("/units/MILL-01", "/units/MILL-01/log", entry="corrected")
    assert answer.status_code == 400
    assert "needs to say after which notice" in words(answer)
