"""Recording what somebody did: the entry, the parts on record, and the evidence."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.register.log import NewEntry
from nightround.register.recording import record, strike
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import conditions, evidence, parts, people
from tests.conftest import START
from tests.rounds.night.build import BOOK, TODAY, add_site, add_unit

BATTERY = {"kind": "battery", "label_date": "2031-05", "lot": "B7"}


@pytest.fixture
def unit(program: Program) -> int:
    with program.store.write() as conn:
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
        return add_unit(conn, "MILL-01", add_site(conn, "MILL"), battery=TODAY - timedelta(days=3))


def do(program: Program, unit: int, entry: str, by: str = "P1", days_ago: int = 0, **more: Any) -> int:
    new = NewEntry(unit, START - timedelta(days=days_ago), entry, by, **more)
    with program.store.write() as conn:
        return record(conn, new, START)


def condition(program: Program, unit: int) -> str:
    reckon_units(program, [unit], BOOK)
    with program.store.read() as conn:
        return str(conn.execute(select(conditions.c.condition)).scalar_one())


def fitted(program: Program, kind: str) -> list[Any]:
    with program.store.read() as conn:
        query = select(parts).where(parts.c.kind == kind, parts.c.state == "fitted").order_by(parts.c.id)
        return list(conn.execute(query).all())


def test_a_fitted_battery_takes_the_place_of_the_old_one(program: Program, unit: int) -> None:
    assert condition(program, unit) == "not to be relied on"
    do(program, unit, "check", readings={"self-test": "ok"})
    do(program, unit, "fitted", part=BATTERY)
    [battery] = fitted(program, "battery")
    assert (battery.lot, battery.label_date, battery.last_good_day) == ("B7", "2031-05", date(2031, 5, 31))
    assert battery.fitted_on == TODAY
    assert condition(program, unit) == "in service"


def test_a_spare_of_the_same_lot_is_used_up(program: Program, unit: int) -> None:
    with program.store.write() as conn:
        conn.execute(
            insert(parts).values(unit_id=unit, kind="battery", state="spare", lot="B7", last_good_day=date(2031, 5, 31))
        )
    do(program, unit, "fitted", part={"kind": "battery", "lot": "B7"})
    [battery] = fitted(program, "battery")
    assert battery.last_good_day == date(2031, 5, 31)
    with program.store.read() as conn:
        assert conn.execute(select(parts.c.id).where(parts.c.state == "spare")).all() == []


def test_a_fitted_part_without_a_date_is_not_recorded_never_fine(program: Program, unit: int) -> None:
    do(program, unit, "check", readings={"self-test": "ok"})
    do(program, unit, "fitted", part={"kind": "battery"})
    assert condition(program, unit) == "no evidence"


def test_an_unknown_person_fits_nothing(program: Program, unit: int) -> None:
    do(program, unit, "fitted", by="", part=BATTERY)
    [battery] = fitted(program, "battery")
    assert battery.lot == ""


def test_the_same_entry_twice_fits_once(program: Program, unit: int) -> None:
    assert do(program, unit, "fitted", part=BATTERY) == do(program, unit, "fitted", part=BATTERY)
    assert len(fitted(program, "battery")) == 1


def test_striking_a_check_takes_its_evidence_away_and_both_stay_readable(program: Program, unit: int) -> None:
    entry_id = do(program, unit, "check", days_ago=1, readings={"self-test": "ok"})
    with program.store.write() as conn:
        strike(conn, entry_id, "wrong unit", "P1", START)
        assert conn.execute(select(evidence.c.looked_on)).all() in ([], [(None,)])
        with pytest.raises(UserError, match="struck already"):
            strike(conn, entry_id, "again", "P1", START)
        with pytest.raises(UserError, match="itself a correction"):
            strike(conn, entry_id + 1, "no", "P1", START)
        with pytest.raises(UserError, match="does not exist"):
            strike(conn, 99, "no", "P1", START)
        with pytest.raises(UserError, match="needs a reason"):
            strike(conn, entry_id, "  ", "P1", START)


@pytest.mark.parametrize(
    ("entry", "more", "said"),
    [
        ("check", {"readings": {"self-test": "green"}}, "self-test='green' is not understood; use one of: ok, fault"),
        ("check", {"readings": {"battery": "5/4"}}, "bars such as 3/4"),
        ("fitted", {}, "needs to say which part"),
        ("fitted", {"part": {"kind": "wheel"}}, "part kind 'wheel' is not known"),
        ("fitted", {"part": {"kind": "battery", "label_date": "05/2031"}}, "label_date '05/2031' is not a date"),
        ("fitted", {"part": {"kind": "battery", "colour": "red"}}, "part detail 'colour' is not known"),
        ("ordered", {"part": {"kind": "battery"}}, "the day on which the part is expected"),
        ("ordered", {"part": {"kind": "battery", "expected": "soon"}}, "expected 'soon' is not a date"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_the_cure(
    program: Program, unit: int, entry: str, more: dict[str, Any], said: str
) -> None:
    with pytest.raises(UserError, match=said):
        do(program, unit, entry, **more)


def test_a_use_makes_the_unit_doubtful_until_pads_and_a_good_check(program: Program, unit: int) -> None:
    do(program, unit, "fitted", part=BATTERY, days_ago=5)
    do(program, unit, "check", days_ago=4, readings={"self-test": "ok"})
    do(program, unit, "used", by="", days_ago=3)
    assert condition(program, unit) == "not to be relied on"
    do(program, unit, "fitted", part={"kind": "pads-adult", "label_date": "2029-04-30"}, days_ago=2)
    assert condition(program, unit) == "not to be relied on"
    do(program, unit, "check", days_ago=1, readings={"self-test": "ok", "pads": "ok"})
    assert condition(program, unit) == "work due"  # restored; the record and the crew note are still owed
    do(program, unit, "downloaded", days_ago=1)
    do(program, unit, "reported", days_ago=1, readings={"about": "crew"})
    assert condition(program, unit) == "in service"


def test_a_part_written_down_late_never_takes_the_place_of_a_newer_one(program: Program, unit: int) -> None:
    do(program, unit, "fitted", part=BATTERY, days_ago=10)
    do(program, unit, "fitted", part={"kind": "battery", "label_date": "2035-01", "lot": "OLD"}, days_ago=400)
    do(program, unit, "removed", part={"kind": "battery"}, days_ago=11)
    [battery] = fitted(program, "battery")
    assert (battery.lot, battery.last_good_day) == ("B7", date(2031, 5, 31))
    with program.store.read() as conn:
        assert conn.execute(select(parts.c.state).where(parts.c.lot == "OLD")).scalar_one() == "removed"


def test_a_fitted_entry_that_was_struck_does_not_stand_in_the_way_of_the_true_one(program: Program, unit: int) -> None:
    wrong = do(program, unit, "fitted", part={"kind": "battery", "label_date": "2035-01", "lot": "X"})
    with program.store.write() as conn:
        strike(conn, wrong, "wrong day, wrong label", "P1", START)
    do(program, unit, "fitted", part=BATTERY, days_ago=7)
    [battery] = fitted(program, "battery")
    assert (battery.lot, battery.fitted_on) == ("B7", TODAY - timedelta(days=7))


def test_of_two_parts_fitted_on_one_day_the_one_logged_last_is_in(program: Program, unit: int) -> None:
    do(program, unit, "fitted", part={"kind": "battery", "label_date": "2035-01", "lot": "X"})
    do(program, unit, "fitted", part=BATTERY)
    [battery] = fitted(program, "battery")
    assert battery.lot == "B7"
