"""Export: the form that import reads, harmless to a spreadsheet, whole or not there at all."""

from __future__ import annotations

import csv
import stat
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from nightround.demo.fleet import write_fleet
from nightround.register.exporting import COLUMNS
from tests.conftest import Clock
from tests.register.office import Office, write

SITES = "site | name | time_zone | country | latitude\nMILL | =1+2 | Europe/Berlin | DE | -0.00001"
UNITS = "unit | site | spot | made_on | notes\n007 | MILL | @SUM(A1) | 2022-03-01 | -x"
PARTS = "unit | kind | state | lot | label_date\n007 | battery | fitted | +49 | 2027-04"
PEOPLE = "person | name | phone | roles\nada | Ada | +49 30 1234 | coordinator"
LOG = "unit | at | entry | by | readings | note\n007 | 2026-11-02 10:30 | check | ada | self-test=ok | '=A1"


@pytest.fixture
def filled(office: Office, tmp_path: Path) -> Office:
    office.bring(write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, people=PEOPLE, log=LOG))
    return office


def _table(folder: Path, name: str) -> list[list[str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))


def test_a_folder_has_a_file_for_each_table_in_the_form_of_import(filled: Office, tmp_path: Path) -> None:
    answer = filled.run("export", tmp_path / "out")
    assert answer.document["rows"] == {
        "sites": 1, "units": 1, "parts": 1, "people": 1, "training": 0, "log": 1, "rota": 0,
        "absences": 0, "closures": 0,
    }  # fmt: skip
    assert sorted(file.stem for file in (tmp_path / "out").iterdir()) == sorted(COLUMNS)
    for table, columns in COLUMNS.items():
        assert _table(tmp_path / "out", table)[0] == list(columns)
    assert (tmp_path / "out" / "units.csv").read_bytes().startswith(b"\xef\xbb\xbf")


def test_no_cell_runs_as_a_formula(filled: Office, tmp_path: Path) -> None:
    filled.run("export", tmp_path / "out")
    filled.run("export", tmp_path / "out.xlsx")
    cells = [
        cell for file in (tmp_path / "out").iterdir() for row in _table(tmp_path / "out", file.stem) for cell in row
    ]
    assert "'=1+2" in cells and "'@SUM(A1)" in cells and "'+49 30 1234" in cells
    for cell in cells:
        assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
        if cell.startswith("-"):
            float(cell)  # a number is no formula
    for sheet in openpyxl.load_workbook(tmp_path / "out.xlsx"):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                assert not str(cell.value or "").startswith(("=", "+", "@")), cell.value


def test_a_workbook_keeps_codes_as_text_and_days_as_days(filled: Office, tmp_path: Path) -> None:
    assert filled.run("export", tmp_path / "out.xlsx").status == 0
    book = openpyxl.load_workbook(tmp_path / "out.xlsx")
    assert book.sheetnames == list(COLUMNS)
    unit = {heading.value: cell for heading, cell in zip(book["units"][1], book["units"][2], strict=True)}
    assert unit["unit"].value == "007" and unit["unit"].number_format == "@"
    assert unit["made_on"].value == datetime(2022, 3, 1)  # noqa: DTZ001
    part = {heading.value: cell for heading, cell in zip(book["parts"][1], book["parts"][2], strict=True)}
    assert part["label_date"].value == "2027-04"
    # Whatever is typed into these columns later: "2027-04" is no first of April, 007 stays 007, a day is a day.
    assert _format_of(book["parts"], COLUMNS["parts"].index("label_date")) == "@"
    assert _format_of(book["parts"], COLUMNS["parts"].index("fitted_on")) == "yyyy-mm-dd"
    assert _format_of(book["units"], COLUMNS["units"].index("unit")) == "@"


def _format_of(sheet: Any, place: int) -> str:
    """The format of a column's empty cells; columns that are alike stand together in the file."""
    dimensions = sheet.column_dimensions.values()
    return next(one.number_format for one in dimensions if one.min <= place + 1 <= one.max)


def test_a_time_is_written_as_the_clock_at_the_site_showed_it(filled: Office, tmp_path: Path) -> None:
    filled.run("export", tmp_path / "out")
    assert _table(tmp_path / "out", "log")[1][:5] == [
        "007",
        "2026-11-02T10:30:00+01:00",
        "check",
        "ada",
        "self-test=ok",
    ]


@pytest.mark.parametrize("name", ["out", "out.xlsx"])
def test_importing_an_export_changes_nothing(filled: Office, tmp_path: Path, name: str) -> None:
    filled.run("export", tmp_path / name)
    before = filled.everything()
    answer = filled.bring(tmp_path / name)
    assert (answer.document["changes"], answer.document["added"], answer.document["missing"]) == ([], [], [])
    assert filled.everything() == before


@pytest.mark.parametrize("name", ["out", "out.xlsx"])
def test_the_invented_fleet_goes_out_and_in_again(office: Office, tmp_path: Path, name: str) -> None:
    write_fleet(tmp_path / "files", 60, 7, date(2026, 11, 25), lambda done, total: None, 60)
    office.bring(tmp_path / "files")
    # What the log does by day is in it too: a part that was changed, an entry that was struck.
    unit, person = office.rows("SELECT unit, person FROM units, people ORDER BY unit, person LIMIT 1")[0]
    options = ("--by", person, "--part", "kind=battery", "--part", "label_date=2031-05", "--note", "two; lines\nhere ")
    assert office.run("log", unit, "fitted", *options).status == 0
    first = office.rows("SELECT min(id) FROM log")[0][0]
    assert office.run("strike", first, "--why", "typed for the wrong unit", "--by", person).status == 0
    office.run("export", tmp_path / name)
    before = office.everything()
    answer = office.bring(tmp_path / name)
    assert (answer.document["changes"], answer.document["added"], answer.document["missing"]) == ([], [], [])
    assert answer.counts("log")[0] == 0
    assert office.everything() == before


def test_an_export_fills_an_empty_register(
    small_office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    write_fleet(tmp_path / "files", 20, 7, date(2026, 11, 25), lambda done, total: None, 60)
    small_office.bring(tmp_path / "files")
    first = small_office.rows("SELECT max(id) FROM log")[0][0]
    assert small_office.run("strike", first, "--why", "typed for the wrong unit").status == 0
    small_office.run("export", tmp_path / "out")
    # Into another database, and out again: the same files, to the byte.
    (tmp_path / "other").mkdir()
    assert small_office.say("setup", tmp_path / "other" / "fleet", "--set", "mail.security=plain").status == 0
    monkeypatch.setenv("NIGHTROUND_CONFIG", str(tmp_path / "other" / "fleet" / "nightround.toml"))
    assert small_office.run("import", tmp_path / "out").status == 0
    assert small_office.run("export", tmp_path / "again").status == 0
    for file in (tmp_path / "out").iterdir():
        assert file.read_bytes() == (tmp_path / "again" / file.name).read_bytes(), file.name


def test_nothing_that_is_there_is_overwritten(filled: Office, tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "letter.txt").write_text("dear")
    (tmp_path / "old.xlsx").write_text("dear")
    for target in ("old", "old.xlsx", "old/letter.txt", "new.ods"):
        answer = filled.run("export", tmp_path / target)
        assert answer.status == 2
        assert target.split("/")[-1] in answer.err
    assert (tmp_path / "old.xlsx").read_text() == "dear"
    assert [file.name for file in (tmp_path / "old").iterdir()] == ["letter.txt"]


def test_an_empty_folder_is_taken(filled: Office, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    assert filled.run("export", tmp_path / "out").status == 0
    assert (tmp_path / "out" / "units.csv").is_file()


@pytest.mark.parametrize("name", ["out", "out.xlsx"])
def test_an_export_that_fails_leaves_nothing(
    small_office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    small_office.bring(write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, people=PEOPLE, log=LOG))
    before = sorted(tmp_path.iterdir())

    def fails(*_: object) -> str:
        raise RuntimeError("the power is cut")

    monkeypatch.setattr("nightround.register.exporting.instant_text", fails)
    with pytest.raises(RuntimeError):
        small_office.run("export", tmp_path / name)
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("name", ["out", "out.xlsx"])
def test_what_names_people_is_for_its_owner_alone(filled: Office, tmp_path: Path, name: str) -> None:
    filled.run("export", tmp_path / name)
    assert stat.S_IMODE((tmp_path / name).stat().st_mode) & 0o077 == 0


def test_a_text_that_no_cell_can_hold_is_said(small_office: Office, tmp_path: Path) -> None:
    small_office.bring(write(tmp_path / "files", sites=SITES, units=UNITS, people=PEOPLE))
    assert small_office.run("log", "007", "fault", "--by", "ada", "--note", "x" * 40_000).status == 0
    answer = small_office.run("export", tmp_path / "out.xlsx")
    assert answer.status == 2
    assert "log, row 2: note has 40000 characters" in answer.err
    assert not (tmp_path / "out.xlsx").exists()


def test_a_workbook_that_import_would_refuse_is_not_written(
    filled: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nightround.register.sinks.MOST_CELLS", len(COLUMNS["sites"]) + 3)
    answer = filled.run("export", tmp_path / "out.xlsx")
    assert (answer.status, "sites has more cells" in answer.err, "export to a folder" in answer.err) == (2, True, True)
    assert not (tmp_path / "out.xlsx").exists()
    assert filled.run("export", tmp_path / "out").status == 0
