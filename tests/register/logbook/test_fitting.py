"""What the label of a fitted part says in its code, and days that cannot be right: at the log, on the page."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.store.tables import log, parts, people, units
from tests.conftest import START
from tests.register.office import Office, write
from tests.rounds.night.build import TODAY, add_site, add_unit

GS1 = "(01)09521234543213(17)281231(10)A213B1"


@pytest.fixture
def unit(program: Program) -> int:
    with program.store.write() as conn:
        conn.execute(insert(people).values(person="P1", name="Pat Known"))
        return add_unit(conn, "MILL-01", add_site(conn, "MILL"), battery=TODAY - timedelta(days=3))


def fit(program: Program, unit: int, *, accept_odd: bool = False, days_ago: int = 0, **part: str) -> list[str]:
    """Fits a battery and gives the remarks."""
    remarks: list[str] = []
    entry = NewEntry(unit, START - timedelta(days=days_ago), "fitted", "P1", part={"kind": "battery", **part})
    with program.store.write() as conn:
        record(conn, entry, START, accept_odd=accept_odd, remarks=remarks)
    return remarks


def battery(program: Program) -> Any:
    with program.store.read() as conn:
        query = select(parts).where(parts.c.kind == "battery", parts.c.state == "fitted")
        return conn.execute(query).one()


def test_the_code_fills_lot_and_date_and_stays_with_the_part(program: Program, unit: int) -> None:
    assert fit(program, unit, udi=GS1) == []
    found = battery(program)
    assert (found.lot, found.label_date, found.last_good_day) == ("A213B1", "2028-12-31", date(2028, 12, 31))
    assert (found.read_from, found.udi) == ("gs1", GS1)
    with program.store.read() as conn:
        kept = json.loads(conn.execute(select(log.c.part)).scalar_one())
    assert kept == {"kind": "battery", "udi": GS1}, "the log keeps what was said, and no more"


@pytest.mark.parametrize(("typed", "used"), [("2029-06", date(2028, 12, 31)), ("2027-06", date(2027, 6, 30))])
def test_the_earlier_of_two_dates_counts_and_both_are_said(program: Program, unit: int, typed: str, used: date) -> None:
    (remark,) = fit(program, unit, udi=GS1, label_date=typed, lot="A213B1")
    assert remark.startswith(f"label_date {typed}: the label's code says 2028-12-31; the earlier, {used}, counts")
    assert battery(program).last_good_day == used


def test_a_code_that_cannot_be_read_is_said_and_what_was_typed_counts(program: Program, unit: int) -> None:
    (remark,) = fit(program, unit, udi="=W12345", label_date="2029-06")
    assert "ICCBBA" in remark
    assert battery(program).last_good_day == date(2029, 6, 30)


def test_the_code_of_the_spare_that_is_fitted_still_speaks(program: Program, unit: int) -> None:
    with program.store.write() as conn:
        spare = {"lot": "A213B1", "label_date": "2028-12", "last_good_day": date(2028, 12, 31), "udi": GS1}
        conn.execute(insert(parts).values(unit_id=unit, kind="battery", state="spare", **spare))
    (remark,) = fit(program, unit, lot="A213B1", label_date="2030-12")
    assert "the earlier, 2028-12-31, counts" in remark
    found = battery(program)
    assert (found.last_good_day, found.udi) == (date(2028, 12, 31), GS1)


def test_a_spare_is_known_by_its_code_alone(program: Program, unit: int) -> None:
    with program.store.write() as conn:
        spare = {"lot": "A213B1", "label_date": "2028-12-31", "last_good_day": date(2028, 12, 31), "udi": GS1}
        conn.execute(insert(parts).values(unit_id=unit, kind="battery", state="spare", **spare))
    fit(program, unit, udi=GS1)
    with program.store.read() as conn:
        assert conn.execute(select(parts.c.id).where(parts.c.state == "spare")).all() == []


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ({"label_date": "2040-01"}, "label_date 2040-01-31 is more than 10 years after today"),
        ({"label_date": "2021-12"}, "label_date 2021-12-31 lies before the unit was made"),
        ({"udi": "(01)09521234543213(17)400101"}, "label_date 2040-01-01 is more than 10 years"),
    ],
)
def test_days_that_cannot_be_right_are_refused_and_kept_marked_where_somebody_insists(
    program: Program, unit: int, part: dict[str, str], said: str
) -> None:
    with program.store.write() as conn:
        conn.execute(units.update().values(made_on=date(2022, 3, 1)))
    with pytest.raises(UserError, match=said) as refused:
        fit(program, unit, **part)
    assert "--accept-odd" in str(refused.value)
    with program.store.read() as conn:
        assert conn.execute(select(log.c.id)).all() == []
    assert battery(program).lot == "", "nothing half done"
    fit(program, unit, accept_odd=True, **part)
    assert battery(program).odd


def test_a_part_fitted_before_the_unit_was_made_is_refused(program: Program, unit: int) -> None:
    with program.store.write() as conn:
        conn.execute(units.update().values(made_on=TODAY - timedelta(days=10)))
    with pytest.raises(UserError, match=r"fitted_on .* lies before the unit was made"):
        fit(program, unit, days_ago=20, label_date="2029-01")


def test_an_entry_from_a_phone_that_is_a_little_fast_is_not_in_the_future(program: Program, unit: int) -> None:
    midnight = START.replace(hour=23, minute=58)  # the site keeps UTC
    entry = NewEntry(unit, midnight + timedelta(minutes=4), "fitted", "P1", part={"kind": "battery"})
    with program.store.write() as conn:
        record(conn, entry, midnight)
    assert battery(program).fitted_on == TODAY + timedelta(days=1)


def test_the_command_takes_a_code_says_a_contradiction_and_its_export_changes_nothing(
    office: Office, tmp_path: Path
) -> None:
    files = write(
        tmp_path / "files",
        sites="site | time_zone | country\nMILL | Europe/London | GB",
        units="unit | site\nU1 | MILL",
        people="person | name | roles\nben | Ben Sorrel | coordinator",
    )
    office.bring(files)
    fitted = ("log", "U1", "fitted", "--by", "ben", "--part", "kind=battery", "--part", "label_date=2029-06")
    answer = office.run(*fitted, "--part", "udi=010952123454321310K7\x1d17281231")
    assert "counts; compare with the label" in answer.document["remarks"][0]
    assert office.rows("SELECT lot, read_from FROM parts") == [("K7", "gs1")]
    plainly = office.say(*fitted, "--part", f"udi={GS1}", "--at", "2026-11-24T10:00")
    assert "the label's code says 2028-12-31" in plainly.err
    before = office.everything()
    office.run("export", tmp_path / "out")
    answer = office.bring(tmp_path / "out")
    assert (answer.counts("parts"), answer.counts("log")) == ((0, 0, 2, 0), (0, 0, 2, 0))
    assert office.everything() == before
    refused = office.run(*fitted[:-1], "label_date=2049-06")
    assert refused.status == 2 and "--accept-odd" in refused.err
    assert office.run(*fitted[:-1], "label_date=2049-06", "--accept-odd").status == 0
