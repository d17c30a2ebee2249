"""Rounds with notices: duties and cases come and go with the notice, its follow-up, and what is recorded."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

import pytest
from sqlalchemy import Engine, event, insert, select

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.rounds.asking import Wanted, duties_on
from nightround.rounds.tonight import RoundResult, reckon_units, run_round
from nightround.store.tables import duties, notices, parts, sites
from tests.rounds.night.build import BOOK, TODAY, add_site, everything

from .build import LOTS, NOTICE, STOP, condition, do, fleet, moved, open_cases, owed, put

ZONE = "Europe/Berlin"


def night(program: Program, on: date = TODAY, again: bool = True) -> RoundResult:
    result = run_round(program, ZONE, on, BOOK, again=again)
    assert result is not None
    assert not result.findings
    return result


def test_a_notice_makes_duties_for_those_it_means_and_those_it_cannot_tell_of(program: Program) -> None:
    fleet(program)
    night(program)
    put(program, NOTICE)
    night(program)
    december = date(2026, 12, 11)
    assert owed(program, duties.c.key, duties.c.standing, duties.c.last_good_day) == {
        "IN-1": ("notice/FSN-7", "open", december),
        "IN-2": ("notice/FSN-7", "open", december),
        "BARE": ("notice/FSN-7", "open", december),
    }
    because = json.loads(owed(program, duties.c.because)["BARE"][0])[0]
    assert because["rule"] == "FSN-7"
    assert because["evidence"] == "serial not recorded; to be underway by 2026-12-11"
    assert because["force"] == "manufacturer"
    assert because["source"] == "letter of the maker, published 2026-11-20"


def test_the_second_round_of_a_night_finds_nothing_new(program: Program) -> None:
    fleet(program)
    put(program, NOTICE)
    night(program)
    before, kept = moved(program), everything(program.store)
    assert night(program).moves == 0
    assert moved(program) == before
    assert everything(program.store) == kept


def test_overdue_opens_a_case_and_underway_closes_it(program: Program) -> None:
    ids = fleet(program)
    put(program, NOTICE)
    night(program)
    assert open_cases(program) == {}
    night(program, date(2026, 12, 11))
    assert open_cases(program) == {}
    night(program, date(2026, 12, 12))
    assert open_cases(program) == {"IN-1": "notice", "IN-2": "notice", "BARE": "notice"}
    do(program, ids["IN-1"], "reported", notice="FSN-7")
    night(program, date(2026, 12, 12))
    assert owed(program, duties.c.standing, duties.c.last_good_day)["IN-1"] == ("open", date(2027, 1, 1))
    assert set(open_cases(program)) == {"IN-2", "BARE"}


def test_stop_using_opens_a_case_until_the_unit_is_corrected_and_it_may_come_back(program: Program) -> None:
    ids = fleet(program)
    put(program, STOP)
    night(program)
    assert condition(program, "IN-1") == "not to be relied on"
    assert condition(program, "BARE") == "work due"
    assert open_cases(program) == {"IN-1": "notice", "IN-2": "notice"}
    do(program, ids["IN-1"], "withdrawn")
    reckon_units(program, [ids["IN-1"]], BOOK)
    assert condition(program, "IN-1") == "withdrawn"
    assert "IN-1" in owed(program)
    assert set(open_cases(program)) == {"IN-2"}
    do(program, ids["IN-1"], "corrected", notice="FSN-7")
    do(program, ids["IN-1"], "returned")
    reckon_units(program, [ids["IN-1"]], BOOK)
    assert condition(program, "IN-1") == "in service"  # the same serial, in the same range
    assert "IN-1" not in owed(program)


def test_a_follow_up_lets_go_whom_it_no_longer_means_and_moves_the_date_of_the_others(program: Program) -> None:
    fleet(program)
    put(program, NOTICE)
    night(program)
    uid = owed(program, duties.c.uid, duties.c.sequence)["IN-2"]
    follow_up = NOTICE.replace("class", "version = 2\nclass").replace('"205787"', '"206000"')
    put(program, follow_up.replace("2026-12-11", "2026-12-24"))
    night(program)
    assert set(owed(program)) == {"IN-2", "BARE"}
    assert owed(program, duties.c.last_good_day)["IN-2"] == (date(2026, 12, 24),)
    assert owed(program, duties.c.uid, duties.c.sequence)["IN-2"] == (uid[0], uid[1] + 1)  # the same event, moved


def test_a_notice_added_while_a_round_runs_is_taken_up_by_its_next_batch(program: Program) -> None:
    fleet(program)
    program.settings.rounds.batch = 1
    done = 0

    def between(number: int) -> None:
        nonlocal done
        done += number
        if done == 1:
            put(program, NOTICE)

    result = run_round(program, ZONE, TODAY, BOOK, between)
    assert result is not None
    assert result.units == 5
    assert set(owed(program)) == {"IN-2", "BARE"}  # IN-1 was reckoned before; whoever adds a notice reckons it again


def test_lots_are_found_in_units_and_in_the_spares_of_sites(program: Program) -> None:
    ids = fleet(program)
    with program.store.write() as conn:
        conn.execute(
            parts.update().where(parts.c.unit_id == ids["OUT"], parts.c.kind == "pads-adult").values(lot="L-100")
        )
        site = conn.execute(select(sites.c.id)).scalar_one()
        add_site(conn, "EMPTY")
        spare = {"kind": "pads-adult", "state": "spare", "label_date": "2029-01-31", "last_good_day": date(2029, 1, 31)}
        conn.execute(insert(parts).values(site_id=site, lot="L-100", **spare))
    put(program, LOTS)
    night(program)
    assert set(owed(program)) == {"OUT"}
    with program.store.read() as conn:
        of_sites = select(duties.c.holder, duties.c.key, duties.c.last_good_day).where(duties.c.unit_id.is_(None))
        found = [tuple(row) for row in conn.execute(of_sites.where(duties.c.kind == "notice"))]
    assert found == [(f"s{site}", "notice/FSN-9", date(2026, 12, 11))]
    with program.store.write() as conn:
        conn.execute(parts.update().where(parts.c.site_id == site).values(state="removed"))
    reckon_units(program, [], BOOK, site_ids=[site])
    with program.store.read() as conn:
        assert conn.execute(of_sites).first() is None


def test_duties_of_another_day_know_the_notices_too(program: Program) -> None:
    fleet(program)
    put(program, NOTICE)
    with program.store.read() as conn:
        found = duties_on(conn, BOOK, date(2026, 12, 12), Wanted(unit="IN-1", standing="overdue"), program.settings)
    assert [(duty["kind"], duty["last_good_day"]) for duty in found] == [("notice", date(2026, 12, 11))]


@contextmanager
def statements(engine: Engine) -> Iterator[list[str]]:
    """Every statement that is sent within the block."""
    sent: list[str] = []

    def note(_conn: object, _cursor: object, statement: str, *_: object) -> None:
        sent.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(engine, "before_cursor_execute", note)


@pytest.mark.parametrize("with_notice", [False, True])
def test_marks_are_read_only_while_a_notice_is_on_record(program: Program, with_notice: bool) -> None:
    fleet(program)
    if with_notice:
        put(program, NOTICE)
    with statements(program.store.engine) as sent:
        night(program)
    reading = [text for text in sent if text.startswith("SELECT")]
    for column in ("units.serial", "units.firmware", "units.made_on", "parts.lot", "evidence.notices", "notices.file"):
        assert any(column in text for text in reading) is with_notice, column


def test_a_notice_on_record_that_can_no_longer_be_read_stops_the_round_and_says_which(program: Program) -> None:
    fleet(program)
    put(program, NOTICE)
    with program.store.write() as conn:
        conn.execute(notices.update().values(file=NOTICE.replace("update", "upgrade")))
    with pytest.raises(UserError, match="notice FSN-7, version 1 as it is on record, key action"):
        run_round(program, ZONE, TODAY, BOOK)


def test_a_log_entry_is_refused_whole_where_its_notice_is_unknown(program: Program) -> None:
    ids = fleet(program)
    put(program, NOTICE)
    with pytest.raises(UserError, match="did you mean FSN-7"):
        do(program, ids["IN-1"], "corrected", notice="FSN-17")
    night(program)
    assert "IN-1" in owed(program)
