# ruff: noqa: DTZ001  (a naive time is local to the site: that is what is read)
"""Workbooks: what their cells become, which sheet is which table, and cells that only look empty."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest

from nightround.errors import UserError
from nightround.register.found import LabelDate
from nightround.register.reading import read

from .build import Rows, change_part, first, ods_file, said, values, xlsx_file

Write = Callable[[Path, dict[str, Rows]], Path]
WRITERS = [pytest.param(xlsx_file, "book.xlsx", id="xlsx"), pytest.param(ods_file, "book.ods", id="ods")]


@pytest.mark.parametrize(("write", "name"), WRITERS)
def test_a_workbook_is_read_sheet_by_sheet(write: Write, name: str, tmp_path: Path) -> None:
    path = write(
        tmp_path / name,
        {
            "log": [
                ["unit", "at", "entry", "by", "readings"],
                ["007", datetime(2026, 11, 2, 10, 15), "Check", "P1", "self-test=OK; battery=3/4"],
            ],
            "units": [["unit", "site", "made_on", "latitude"], [7, "S", date(2024, 2, 1), 51.5]],
            "parts": [["unit", "kind", "label_date"], [7, "battery", date(2027, 4, 30)], [7, "pads", "2027-02"]],
            "Sites": [["site", "name"], ["S", "School"]],
            "Budget": [["a"], ["b"]],
        },
    )
    reading = read(path)
    assert values(reading, "sites") == [{"site": "S", "name": "School"}]
    assert values(reading, "units") == [{"unit": "7", "site": "S", "made_on": date(2024, 2, 1), "latitude": 51.5}]
    assert values(reading, "parts") == [
        {"unit": "7", "kind": "battery", "label_date": LabelDate("2027-04-30", date(2027, 4, 30)), "state": "fitted"},
        {"unit": "7", "kind": "pads-adult", "label_date": LabelDate("2027-02", date(2027, 2, 28)), "state": "fitted"},
    ]
    assert values(reading, "log") == [
        {
            "unit": "007",
            "at": datetime(2026, 11, 2, 10, 15),
            "entry": "check",
            "by": "P1",
            "readings": {"self-test": "ok", "battery": "3/4"},
        }
    ]
    assert any("Budget: not read" in remark for remark in reading.remarks)


@pytest.mark.parametrize(("write", "name"), WRITERS)
def test_a_workbook_with_one_filled_sheet_is_a_units_file(write: Write, name: str, tmp_path: Path) -> None:
    path = write(tmp_path / name, {"Tabelle1": [["unit"], ["A"]], "Tabelle2": [], "Tabelle3": []})
    assert values(read(path), "units") == [{"unit": "A"}]


def test_several_sheets_of_unknown_names_are_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="holds nothing to import"):
        read(xlsx_file(tmp_path / "b.xlsx", {"North": [["unit"], ["A"]], "South": [["unit"], ["B"]]}))


@pytest.mark.parametrize("date_1904", [False, True])
def test_both_epochs_give_the_same_days(date_1904: bool, tmp_path: Path) -> None:
    serial = 46507 - (1462 if date_1904 else 0)  # 2027-04-30
    rows: Rows = [
        ["unit", "made_on", "battery expiry"],
        ["A", date(2027, 4, 30), serial],
        ["B", serial, date(2027, 4, 30)],
    ]
    reading = read(xlsx_file(tmp_path / "b.xlsx", {"units": rows}, date_1904=date_1904))
    assert [row["made_on"] for row in values(reading, "units")] == [date(2027, 4, 30)] * 2
    assert [row["label_date"].last_good_day for row in values(reading, "parts")] == [date(2027, 4, 30)] * 2
    epoch = "1904" if date_1904 else "1900"
    assert sum(f"bare numbers, read as days counted from {epoch}" in remark for remark in reading.remarks) == 2


def test_a_label_date_cell_on_the_first_of_a_month_is_told(tmp_path: Path) -> None:
    rows: Rows = [["unit", "battery expiry"], ["A", date(2027, 2, 1)], ["B", date(2027, 2, 3)]]
    reading = read(xlsx_file(tmp_path / "b.xlsx", {"units": rows}))
    assert any("1 date cells on the first of a month" in remark for remark in reading.remarks)


def test_rows_and_columns_are_counted_from_the_corner_of_the_sheet(tmp_path: Path) -> None:
    rows: Rows = [[], [None, "unit", "made_on"], [], [None, "A", "03/04/2027"]]
    reading = read(xlsx_file(tmp_path / "b.xlsx", {"units": rows}))
    assert said(reading)[0].startswith("b.xlsx, sheet units, row 4, column made_on: '03/04/2027': can be")
    assert any("the headings were found in row 2" in remark for remark in reading.remarks)


def test_a_title_above_the_headings_is_passed_over(tmp_path: Path) -> None:
    rows: Rows = [["Our defibrillators, November 2026"], [], ["Unit", "Site"], ["A", "S"]]
    assert values(read(xlsx_file(tmp_path / "b.xlsx", {"units": rows})), "units") == [{"unit": "A", "site": "S"}]


def test_a_cell_that_failed_is_a_problem_and_not_empty(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "units"
    sheet.append(["unit", "made_on", "in_service_on", "registered_on", "colour"])
    sheet.append(["A", "#REF!", "=TODAY()", None, "=1/0"])
    sheet.append(["B", date(2024, 1, 1), None, None, "#N/A"])
    book.save(tmp_path / "b.xlsx")
    assert said(read(tmp_path / "b.xlsx")) == [
        "b.xlsx, sheet units, row 2, column made_on: the spreadsheet could not work this cell out; correct the formula "
        "or type the value",
        "b.xlsx, sheet units, row 2, column in_service_on: holds a formula without a result; open the file in the "
        "spreadsheet program and save it, or type the value",
    ]


def test_a_failed_cell_of_an_ods_file_is_a_problem_too(tmp_path: Path) -> None:
    path = ods_file(tmp_path / "b.ods", {"units": [["unit", "made_on"], ["A", "#DIV/0!"], ["B", "2024-01-01"]]})
    failed = b'<table:table-cell office:value-type="string" office:string-value="" calcext:value-type="error">'
    change_part(
        path,
        "content.xml",
        lambda xml: xml.replace(
            b'<table:table-cell office:value-type="string"><text:p>#DIV', failed + b"<text:p>#DIV"
        ).replace(b"<office:document-content ", b'<office:document-content xmlns:calcext="urn:calcext" '),
    )
    assert said(read(path)) == [
        "b.ods, sheet units, row 2, column made_on: the spreadsheet could not work this cell out; correct the formula "
        "or type the value"
    ]


@pytest.mark.parametrize(("write", "name"), WRITERS)
def test_a_code_that_became_a_date_is_refused(write: Write, name: str, tmp_path: Path) -> None:
    path = write(tmp_path / name, {"units": [["unit", "site"], ["A", date(2027, 3, 4)]]})
    assert "made a date of this code" in said(read(path))[0]


def test_merged_and_formatted_cells_do_not_disturb(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["unit", "spot"])
    sheet.append(["A", "lobby"])
    sheet["XFD1048576"].font = openpyxl.styles.Font(bold=True)
    sheet.merge_cells("B2:C2")
    book.save(tmp_path / "b.xlsx")
    assert first(tmp_path / "b.xlsx") == {"unit": "A", "spot": "lobby"}


def test_a_neutralised_text_is_undone(tmp_path: Path) -> None:
    rows: Rows = [["unit", "spot", "notes"], ["A", "'=lobby", "''quoted'"]]
    assert first(xlsx_file(tmp_path / "b.xlsx", {"units": rows})) == {
        "unit": "A",
        "spot": "=lobby",
        "notes": "'quoted'",
    }


def test_progress_is_told_to_the_end(tmp_path: Path) -> None:
    rows: Rows = [["unit"], *([f"U-{number}"] for number in range(2500))]
    told: list[tuple[int, int | None]] = []
    read(xlsx_file(tmp_path / "b.xlsx", {"units": rows}), progress=lambda done, total: told.append((done, total)))
    assert told == [(1000, 2501), (2000, 2501), (2501, 2501)]


def test_a_date_stored_as_text_in_the_workbook_itself_is_a_date(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.iso_dates = True
    sheet = book.active
    sheet.append(["unit", "made_on", "in_service_on"])
    sheet.append(["A", date(2024, 2, 1), datetime(2024, 2, 3, 10, 15)])
    book.save(tmp_path / "b.xlsx")
    assert first(tmp_path / "b.xlsx") == {
        "unit": "A",
        "made_on": date(2024, 2, 1),
        "in_service_on": date(2024, 2, 3),
    }
