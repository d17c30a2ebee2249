"""What a use leaves to be done, from the log to duties and cases, on both databases."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.reckoning.rules import Shape, Span, Subject
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.rounds.asking import Wanted, duties_on, stored_duties
from nightround.rounds.loading import load
from nightround.rounds.rulebook import RuleBook
from nightround.rounds.tonight import reckon_units, run_round
from nightround.store.tables import cases, conditions, duties, evidence, moves, parts, people, sites
from tests.conftest import START, Clock
from tests.reckoning.core.build import HOUSE, SHEET, rule

from .build import TODAY, add_site, add_unit

RULES = (
    *HOUSE,
    rule("a" * 80, Subject.REPORT_USE, Shape(Span.HOURS, 72)),  # the longest name that a pack may give
    rule("five-days", Subject.REPORT_USE, Shape(Span.WORKING_DAYS, 5)),
    rule("ten-days", Subject.REPLACE, Shape(Span.DAYS, 10)),
)
MODEL = SHEET._replace(memory_events=1, memory_hours_each=1, rated_shocks=1000, rated_minutes=9000)
BOOK = RuleBook(rules=RULES, sheets={"Model A": MODEL}, digest="test")
NOTED = {"shocks": "173", "cpr-minutes": "619", "mode": "child"}


@pytest.fixture
def unit(program: Program) -> int:
    with program.store.write() as conn:
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
        unit_id = add_unit(conn, "MILL-01", add_site(conn, "MILL", "Europe/Madrid", "ES"), model="Model A")
        conn.execute(update(parts).values(fitted_on=date(2025, 1, 1)))
        return unit_id


def do(program: Program, unit: int, entry: str, by: str = "P1", days_ago: float = 0, **more: Any) -> None:
    new = NewEntry(unit, START - timedelta(days=days_ago), entry, by, **more)
    with program.store.write() as conn:
        record(conn, new, START)
    reckon_units(program, [unit], BOOK)


def owed(program: Program) -> dict[str, Any]:
    with program.store.read() as conn:
        return {row.key: row for row in conn.execute(select(duties))}


def test_a_use_opens_its_duties_and_each_is_closed_by_its_own_entry(program: Program, unit: int) -> None:
    do(program, unit, "check", days_ago=9, readings={"self-test": "ok"})
    before = set(owed(program))
    do(program, unit, "used", by="", days_ago=2, readings=NOTED)
    after = {"restore", "download", "crew-note", f"report-use/{'a' * 80}", "report-use/five-days", "replace"}
    assert set(owed(program)) - before == after
    assert owed(program)[f"report-use/{'a' * 80}"].deadline == START + timedelta(days=1)
    for entry, readings, part, closes in (
        ("downloaded", {}, {}, "download"),
        ("reported", {"about": "crew"}, {}, "crew-note"),
        ("reported", {"rule": "five-days"}, {}, "report-use/five-days"),
        ("reported", {"about": "use"}, {}, f"report-use/{'a' * 80}"),
        ("fitted", {}, {"kind": "pads-adult", "label_date": "2029-05"}, ""),
        ("check", {"self-test": "ok", "pads": "ok"}, {}, "restore"),
    ):
        do(program, unit, entry, readings=readings, part=part)
        after.discard(closes)
        if closes == "restore":
            after.discard("replace")
        assert set(owed(program)) & (after | {closes}) == after
    assert not after


def test_evidence_comes_back_from_the_store_as_it_went_in(program: Program, unit: int) -> None:
    do(program, unit, "used", days_ago=2, readings=NOTED)
    do(program, unit, "reported", days_ago=1, readings={"rule": "five-days"})
    with program.store.read() as conn:
        (loaded,) = load(conn, [unit])
        (kept,) = conn.execute(select(evidence.c.out_of_service_on)).scalars()
    (use,) = loaded.facts.evidence.uses
    assert (use.at, use.day) == (START - timedelta(days=2), TODAY - timedelta(days=2))
    assert (use.shocks, use.minutes, use.reported, use.reported_for) == (173, 619, False, ("five-days",))
    assert (use.downloaded, use.note_handed, use.on_battery) == (False, False, True)
    assert kept == loaded.facts.evidence.out_of_service_on == TODAY - timedelta(days=2)


def test_what_was_done_to_a_person_is_in_nothing_that_letters_and_calendars_are_made_of(
    program: Program, unit: int
) -> None:
    do(program, unit, "check", days_ago=9, readings={"self-test": "ok"})
    do(program, unit, "used", days_ago=3, readings=NOTED, note="woman of 61")
    do(program, unit, "used", days_ago=2, readings=NOTED)
    run_round(program, "Europe/Madrid", TODAY, BOOK)
    said = []
    with program.store.read() as conn:
        for table in (duties, cases, conditions, moves):
            for row in conn.execute(select(table)):
                columns = {name: value for name, value in row._mapping.items() if name not in ("uid", "at")}
                said += [str(value) for value in columns.values() if isinstance(value, str)]
    assert any("overwritten" in text for text in said)
    assert any("drain-budget" in text for text in said)
    for secret in ("173", "619", "346", "1238", "child", "woman"):
        assert not [text for text in said if secret in text]


def test_a_withdrawn_unit_has_a_case_only_when_nobody_put_another_in_its_place_in_time(
    program: Program, unit: int, clock: Clock
) -> None:
    do(program, unit, "withdrawn", days_ago=10)
    with program.store.read() as conn:
        assert not conn.execute(select(cases)).all()
        open_now = stored_duties(conn, Wanted(standing="open", in_use=True))
    assert [item["kind"] for item in open_now] == ["replace"]
    clock.forward(days=1)
    run_round(program, "Europe/Madrid", TODAY + timedelta(days=1), BOOK)
    with program.store.read() as conn:
        (case,) = conn.execute(select(cases)).all()
    assert case.kind == "overdue"
    assert [item["subject"] for item in json.loads(case.what)] == ["replace or repair the unit"]
    do(program, unit, "reported", readings={"about": "replaced"})
    with program.store.read() as conn:
        assert conn.execute(select(cases.c.state)).scalar_one() == "closed"
        assert conn.execute(select(conditions.c.condition)).scalar_one() == "withdrawn"


def test_a_deadline_is_told_in_the_sites_own_time(program: Program, unit: int) -> None:
    do(program, unit, "used", days_ago=2)
    with program.store.read() as conn:
        told = (
            stored_duties(conn, Wanted(until=TODAY + timedelta(days=1))),
            duties_on(conn, BOOK, TODAY, Wanted(), program.settings),
        )
    for found in told:
        (report,) = [item for item in found if item["deadline"] is not None]
        # 09:00 UTC is 10:00 in Madrid in November
        assert report["deadline_local"].isoformat() == "2026-11-26T10:00:00+01:00"
        assert report["deadline"] == report["deadline_local"]


def test_the_temperatures_of_a_site_bring_its_batteries_forward(program: Program, unit: int) -> None:
    reckon_units(program, [unit], BOOK)
    (before,) = [row.last_good_day for key, row in owed(program).items() if key.startswith("battery/")]
    with program.store.write() as conn:
        conn.execute(update(sites).values(monthly_celsius=";".join(["45"] * 12)))
    reckon_units(program, [unit], BOOK)
    (after,) = [row for key, row in owed(program).items() if key.startswith("battery/")]
    # 60 months from 2025-01-01 are 1825 + 1 days at a quarter of the life: computed 456 days
    assert (date(2030, 1, 1) - date(2025, 1, 1)).days == 1826
    assert before == date(2030, 1, 1)
    assert after.last_good_day == date(2025, 1, 1) + timedelta(days=456)
    assert json.loads(after.because)[0]["evidence"].startswith("estimate: fitted 2025-01-01")
