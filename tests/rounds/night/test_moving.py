"""Moves, loans and registrations from the log entry to the duty, the case and the feed, on both databases."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.register.evidence import refresh
from nightround.register.importing import import_file
from nightround.register.log import NewEntry, append_many
from nightround.register.recording import record, strike
from nightround.rounds.rulebook import load
from nightround.rounds.tonight import reckon_units, run_round
from nightround.settings import Settings
from nightround.store.tables import cases, conditions, duties, evidence, loans, parts, people, sites, units

from .build import add_site, add_unit

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
KINDS = ("register", "re-register", "renew-registration", "notify-responders", "replace")


@pytest.fixture
def fleet(program: Program) -> dict[str, int]:
    """A unit at a sports hall in Illinois, one in store, another hall, a site in Tokyo, and one in Madrid."""
    with program.store.write() as conn:
        hall = add_site(conn, "HALL", "America/Chicago", "US", subdivision="IL", site_type="sports")
        shed = add_site(conn, "SHED", "America/Chicago", "US", subdivision="IL", site_type="sports")
        tokyo = add_site(conn, "TOKYO", "Asia/Tokyo", "JP")
        madrid = add_site(conn, "SOL", "Europe/Madrid", "ES", subdivision="MD")
        ids = {"HALL": hall, "SHED": shed, "TOKYO": tokyo, "SOL": madrid}
        ids["H-1"] = add_unit(conn, "H-1", hall, spot="lobby", floor="1", latitude=1.5, longitude=2.5)
        ids["LOAN"] = add_unit(conn, "LOAN", shed, spot="shelf")
        ids["M-1"] = add_unit(conn, "M-1", madrid, registered_with="Madrid")
        conn.execute(insert(people).values(person="ada", email="ada@example.org"))
    for unit in ("H-1", "LOAN", "M-1"):
        log(program, ids[unit], "check", NOW - timedelta(hours=5), **{"self-test": "ok"})
    return ids


def log(program: Program, unit_id: int, entry: str, at: datetime = NOW, by: str = "ada", **readings: str) -> int:
    with program.store.write() as conn:
        entry_id = record(conn, NewEntry(unit_id, at, entry, by, dict(readings), note="x"), program.clock())
    reckon_units(program, [unit_id])
    return entry_id


def stands(program: Program, unit: str) -> tuple[Any, ...]:
    columns = (sites.c.site, units.c.spot, units.c.floor, units.c.latitude, units.c.longitude)
    with program.store.read() as conn:
        query = select(*columns).join(sites, sites.c.id == units.c.site_id).where(units.c.unit == unit)
        return tuple(conn.execute(query).one())


def owed(program: Program, unit_id: int) -> dict[str, date | None]:
    with program.store.read() as conn:
        rows = conn.execute(select(duties.c.kind, duties.c.last_good_day).where(duties.c.unit_id == unit_id))
        return {kind: good for kind, good in rows if kind in KINDS}


def reasons(program: Program, unit_id: int) -> list[str]:
    with program.store.read() as conn:
        text = conn.execute(select(conditions.c.reasons).where(conditions.c.unit_id == unit_id)).scalar_one()
    found: list[str] = json.loads(text)
    return found


def test_a_move_changes_site_and_spot_with_the_entry_and_owes_the_word(program: Program, fleet: dict[str, int]) -> None:
    log(program, fleet["H-1"], "moved", site="SHED", spot="by the door")
    # Floor and position were those of the old place: not recorded until somebody says them.
    assert stands(program, "H-1") == ("SHED", "by the door", "", None, None)
    assert owed(program, fleet["H-1"]) == {"notify-responders": date(2026, 12, 9)}
    log(program, fleet["H-1"], "reported", NOW + timedelta(minutes=1), about="responders")
    assert owed(program, fleet["H-1"]) == {}


def test_madrids_change_is_met_by_a_report_after_it_and_by_none_before(program: Program, fleet: dict[str, int]) -> None:
    log(program, fleet["M-1"], "reported", NOW - timedelta(hours=1), about="registration", **{"with": "Community"})
    with program.store.read() as conn:
        row = conn.execute(select(units).where(units.c.unit == "M-1")).one()
    assert (row.registered_with, row.registered_on) == ("Community", date(2026, 11, 25))
    log(program, fleet["M-1"], "moved", spot="platform 2")
    assert set(owed(program, fleet["M-1"])) == {"re-register", "notify-responders"}
    entry = log(program, fleet["M-1"], "reported", NOW + timedelta(minutes=2), about="registration-change")
    assert set(owed(program, fleet["M-1"])) == {"notify-responders"}
    with program.store.write() as conn:
        strike(conn, entry, "not sent after all", "ada", program.clock())
    reckon_units(program, [fleet["M-1"]])
    assert "re-register" in owed(program, fleet["M-1"])


def test_madrid_is_told_of_a_withdrawal_though_the_unit_owes_nothing_else(
    program: Program, fleet: dict[str, int]
) -> None:
    log(program, fleet["M-1"], "withdrawn")
    assert "re-register" in owed(program, fleet["M-1"])
    with program.store.write() as conn:
        conn.execute(update(sites).where(sites.c.site == "SOL").values(name="Sol"))
    run_round(program, "Europe/Madrid", date(2027, 2, 1))
    with program.store.read() as conn:
        [what] = conn.execute(select(cases.c.what).where(cases.c.unit_id == fleet["M-1"])).scalars()
    assert "report the change to the register" in what


def test_a_struck_registration_leaves_the_register_as_it_was(program: Program, fleet: dict[str, int]) -> None:
    entry = log(program, fleet["M-1"], "reported", about="registration", **{"with": "Community"})
    with program.store.write() as conn:
        strike(conn, entry, "was refused", "ada", program.clock())
        row = conn.execute(select(units).where(units.c.unit == "M-1")).one()
    assert (row.registered_with, row.registered_on) == ("Madrid", None)


def test_a_struck_move_turns_the_unit_back(program: Program, fleet: dict[str, int]) -> None:
    entry = log(program, fleet["H-1"], "moved", site="TOKYO")
    with program.store.write() as conn:
        strike(conn, entry, "the wrong unit", "ada", program.clock())
    reckon_units(program, [fleet["H-1"]])
    assert stands(program, "H-1") == ("HALL", "lobby", "1", 1.5, 2.5)
    assert owed(program, fleet["H-1"]) == {}


@pytest.mark.parametrize(
    ("readings", "by", "said"),
    [
        ({"site": "NOWHERE"}, "ada", "site 'NOWHERE' is not in the register"),
        ({"covers": "NOBODY"}, "ada", "unit 'NOBODY', to be covered, is not in the register"),
        ({"covers": "H-1"}, "ada", "cannot cover itself"),
        ({"covers": "LOAN", "site": "TOKYO"}, "ada", "does not cover it"),
        ({"site": "HALL"}, "ada", "stands there already"),
        ({"site": "SHED"}, "", "only a known person can move a unit"),
        ({"site": "SHED", "from": "TOKYO"}, "ada", "written by the program itself"),
    ],
)
def test_a_move_that_cannot_be_is_refused_and_nothing_is_written(
    program: Program, fleet: dict[str, int], readings: dict[str, str], by: str, said: str
) -> None:
    with program.store.read() as conn:
        before = conn.execute(select(evidence).order_by(evidence.c.unit_id)).all()
    with pytest.raises(UserError, match=said):
        log(program, fleet["H-1"], "moved", by=by, **readings)
    assert stands(program, "H-1") == ("HALL", "lobby", "1", 1.5, 2.5)
    with program.store.read() as conn:
        assert conn.execute(select(evidence).order_by(evidence.c.unit_id)).all() == before


def test_a_move_written_down_late_does_not_undo_a_later_one(program: Program, fleet: dict[str, int]) -> None:
    log(program, fleet["H-1"], "moved", NOW, site="TOKYO")
    log(program, fleet["H-1"], "moved", NOW - timedelta(days=2), site="SHED")
    assert stands(program, "H-1")[0] == "TOKYO"


def test_duties_and_open_cases_go_with_the_unit_and_keep_what_calendars_know_them_by(
    program: Program, fleet: dict[str, int]
) -> None:
    with program.store.write() as conn:
        conn.execute(update(parts).where(parts.c.unit_id == fleet["H-1"]).values(last_good_day=date(2026, 11, 1)))
        spare = {"kind": "battery", "state": "spare", "last_good_day": date(2030, 1, 1)}
        conn.execute(insert(parts).values(site_id=fleet["HALL"], **spare))
    reckon_units(program, [fleet["H-1"]])
    columns = (duties.c.key, duties.c.uid, duties.c.sequence, duties.c.site_id)
    query = select(*columns).where(duties.c.unit_id == fleet["H-1"])
    with program.store.read() as conn:
        before = {row.key: row for row in conn.execute(query)}
    log(program, fleet["H-1"], "moved", site="SHED")
    with program.store.read() as conn:
        after = {row.key: row for row in conn.execute(query)}
        [case] = conn.execute(select(cases.c.site_id, cases.c.closed_at).where(cases.c.unit_id == fleet["H-1"])).all()
        kept = conn.execute(select(parts.c.site_id).where(parts.c.site_id.is_not(None))).scalars().all()
        at_old = conn.execute(select(duties.c.unit_id).where(duties.c.site_id == fleet["HALL"])).scalars().all()
    assert {row.site_id for row in after.values()} == {fleet["SHED"]}
    assert {key: (after[key].uid, after[key].sequence) for key in before} == {
        key: (row.uid, row.sequence + 1) for key, row in before.items()
    }
    assert tuple(case) == (fleet["SHED"], None)
    assert kept == [fleet["HALL"]]  # spares of the old site stay there
    assert at_old == [None]


def test_a_loan_unit_covers_until_it_fails_moves_on_or_the_other_is_returned(
    program: Program, fleet: dict[str, int]
) -> None:
    log(program, fleet["H-1"], "withdrawn", NOW - timedelta(hours=3))
    assert owed(program, fleet["H-1"]) == {"replace": date(2026, 12, 5)}
    log(program, fleet["LOAN"], "moved", NOW - timedelta(hours=2), covers="H-1")
    assert stands(program, "LOAN")[:3] == ("HALL", "lobby", "1")
    assert owed(program, fleet["H-1"]) == {}
    assert reasons(program, fleet["H-1"]) == ["withdrawn since 2026-11-25", "covered by LOAN since 2026-11-25"]
    log(program, fleet["LOAN"], "fault", NOW - timedelta(hours=1), by="")
    assert "replace" in owed(program, fleet["H-1"])
    assert "not to be relied on" in reasons(program, fleet["H-1"])[1]
    log(program, fleet["LOAN"], "check", NOW - timedelta(minutes=50), **{"self-test": "ok"})
    assert owed(program, fleet["H-1"]) == {}
    back = log(program, fleet["LOAN"], "moved", NOW - timedelta(minutes=40), site="SHED")
    assert "replace" in owed(program, fleet["H-1"])
    with program.store.write() as conn:
        strike(conn, back, "it is there still", "ada", program.clock())
    reckon_units(program, [fleet["LOAN"]])
    assert owed(program, fleet["H-1"]) == {}
    log(program, fleet["H-1"], "returned", NOW - timedelta(minutes=30))
    log(program, fleet["H-1"], "withdrawn", NOW - timedelta(minutes=20))
    with program.store.read() as conn:
        assert conn.execute(select(loans.c.ended_on)).scalars().all() == [date(2026, 11, 25)]
    # The loan ended when the unit came back; what happens to it afterwards is another matter.
    assert "replace" in owed(program, fleet["H-1"])


def test_a_round_of_the_night_finds_the_same_as_the_entry_by_day(program: Program, fleet: dict[str, int]) -> None:
    log(program, fleet["H-1"], "withdrawn", NOW - timedelta(hours=3))
    log(program, fleet["LOAN"], "moved", NOW - timedelta(hours=2), covers="H-1")
    result = run_round(program, "America/Chicago", date(2026, 11, 25), load(Settings()))
    assert result is not None and (result.moves, result.findings) == (0, [])


def test_an_import_that_tells_of_another_place_writes_the_move(
    program: Program, fleet: dict[str, int], tmp_path: Path
) -> None:
    (tmp_path / "units.csv").write_text("unit,site,spot\nH-1,TOKYO,hall\nLOAN,SHED,shelf\n", encoding="utf-8")
    report = import_file(program, tmp_path)
    assert report.problems == [] and report.count("log").added == 1
    assert any("1 unit stands elsewhere by this file" in remark for remark in report.remarks)
    reckon_units(program, report.touched)
    assert set(owed(program, fleet["H-1"])) == {"notify-responders"}
    again = import_file(program, tmp_path)
    assert again.count("log").added == 0 and again.changes == []


def test_a_spot_recorded_for_the_first_time_is_no_move(program: Program, fleet: dict[str, int], tmp_path: Path) -> None:
    (tmp_path / "units.csv").write_text("unit,site,spot\nM-1,SOL,platform 1\n", encoding="utf-8")
    assert import_file(program, tmp_path).count("log").added == 0


def test_a_check_before_a_move_keeps_the_civil_day_of_the_place_where_it_was_made(
    program: Program, fleet: dict[str, int]
) -> None:
    # 22:30 in Chicago is the next day in Tokyo.
    late = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)
    log(program, fleet["H-1"], "check", late, **{"self-test": "ok"})
    with program.store.write() as conn:
        conn.execute(update(evidence).values(looked_on=None))
        refresh(conn, [fleet["H-1"]])
        before = conn.execute(select(evidence.c.looked_on).where(evidence.c.unit_id == fleet["H-1"])).scalar_one()
    log(program, fleet["H-1"], "moved", NOW + timedelta(minutes=1), site="TOKYO")
    with program.store.read() as conn:
        after = conn.execute(select(evidence.c.looked_on).where(evidence.c.unit_id == fleet["H-1"])).scalar_one()
    assert before == after == date(2026, 11, 24)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    checks=st.lists(st.integers(1, 24 * 30), min_size=1, max_size=4),
    moves=st.lists(st.sampled_from(["HALL", "TOKYO", "SOL", "SHED"]), max_size=4),
)
def test_moving_never_changes_the_civil_day_of_an_earlier_check(
    program: Program, fleet: dict[str, int], checks: list[int], moves: list[str]
) -> None:
    start = datetime(2025, 1, 1, tzinfo=UTC)
    with program.store.write() as conn:
        unit_id = add_unit(conn, f"P-{len(conn.execute(select(units.c.id)).all())}", fleet["HALL"], looked_on=None)
        hours = sorted(set(checks))
        made = [NewEntry(unit_id, start + timedelta(hours=h), "check", "ada", {"self-test": "ok"}) for h in hours]
        append_many(conn, made, NOW)
        refresh(conn, [unit_id])
        query = select(evidence.c.looked_on).where(evidence.c.unit_id == unit_id)
        first = conn.execute(query).scalar_one()
        for place, site in enumerate(moves):
            at = start + timedelta(days=40 + place)
            entry = NewEntry(unit_id, at, "moved", "ada", {"site": site, "spot": f"spot {place}"})
            record(conn, entry, NOW)
            assert conn.execute(query).scalar_one() == first
