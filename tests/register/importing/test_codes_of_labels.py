"""Columns `udi`: the code on a label fills what is empty; where it differs from what was typed, somebody is told.

The label strings that are not our own invention are those of published-facts.md §4.4, with their source there; GTINs
made up here are of GS1's prefix 952, which is kept for examples.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightround.register.found import LabelDate
from nightround.register.labelled import of_part
from tests.register.office import Answer, Office, write

SITES = "site | name | time_zone | country\nMILL | Saltby Mill | Europe/London | GB"
UNITS = "unit | site | made_on\nU1 | MILL | 2022-03-01\nU2 | MILL |\nU3 | MILL |"
HEADING = "unit | kind | lot | label_date | udi\n"
GS1 = "(01)09521234543213(17)281231(10)A213B1"


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES, units=UNITS))
    return folder


def _parts(office: Office) -> list[tuple[str, ...]]:
    """Unit, kind, lot, label date, last good day and what it was read from, of every part."""
    rows = office.rows(
        "SELECT unit, kind, lot, label_date, last_good_day, read_from FROM parts p JOIN units u ON u.id = p.unit_id"
    )
    return sorted((*said, str(day or ""), read) for *said, day, read in rows)


def _said(answer: Answer, what: str) -> list[tuple[int, str, str, str]]:
    """Row, column, value and cure of each contradiction or warning."""
    return [(one["row"], one["column"], one["value"], one["cure"]) for one in answer.document[what]]


@pytest.mark.parametrize(
    ("udi", "lot", "day", "read_from"),
    [
        (GS1, "A213B1", "2028-12-31", "gs1"),
        ("0109521234543213172812001077K", "77K", "2028-12-31", "gs1"),  # day 00: the month's last
        ("010952123454321310A213B1\x1d17281231", "A213B1", "2028-12-31", "gs1"),
        ("https://id.example.org/01/09521234543213/10/A213B1?17=281231", "A213B1", "2028-12-31", "gs1"),
        # §4.4, ANSI/HIBC samples (READ): expiry 2020-01-15 and lot 10X3; expiry 2021-08-30 and lot L2389
        ("+A99912345/$$52001510X33", "10X3", "2020-01-15", "hibc"),
        ("+DVIV572812AN1/$XL2389/16D20190517/14D20210830Y", "XL2389", "2021-08-30", "hibc"),
    ],
)
def test_an_empty_lot_and_date_are_filled_from_the_code(
    small_office: Office, tmp_path: Path, udi: str, lot: str, day: str, read_from: str
) -> None:
    files = write(tmp_path / "files", sites=SITES, units="unit | site\nU1 | MILL", parts="")
    quoted = f'"{udi}"' if "," in udi else udi
    (files / "parts.csv").write_text(f"unit,kind,lot,label_date,udi\nU1,battery,,,{quoted}\n", encoding="utf-8")
    answer = small_office.bring(files)
    assert _parts(small_office) == [("U1", "battery", lot, day, day, read_from)]
    assert any("2 empty cells filled" in remark for remark in answer.document["remarks"])
    before = small_office.everything()
    assert small_office.bring(files).counts("parts") == (0, 0, 1, 0)
    assert small_office.everything() == before


def test_the_earlier_date_counts_where_typed_and_scanned_differ_and_it_is_said(office: Office, folder: Path) -> None:
    parts = f"U1 | battery | A213B1 | 2029-06 | {GS1}\nU2 | battery | A213B1 | 2027-06 | {GS1}\n"
    answer = office.bring(write(folder, parts=HEADING + parts))
    assert _parts(office) == [
        ("U1", "battery", "A213B1", "2028-12-31", "2028-12-31", "gs1"),
        ("U2", "battery", "A213B1", "2027-06", "2027-06-30", "typed"),
    ]
    cure = "the code in column udi says 2028-12-31; the earlier, {}, counts; compare with the label and correct one of "
    assert _said(answer, "contradictions") == [
        (2, "label_date", "2029-06", cure.format("2028-12-31") + "the two"),
        (3, "label_date", "2027-06", cure.format("2027-06-30") + "the two"),
    ]
    duty = next(duty for duty in office.run("duties", "--unit", "U1").document if duty["kind"] == "battery")
    assert duty["last_good_day"] == "2028-12-31"
    before = office.everything()
    again = office.bring(folder)
    assert again.counts("parts") == (0, 0, 2, 0)
    assert len(again.document["contradictions"]) == 2, "it is said until somebody puts it right"
    assert office.everything() == before
    plainly = office.say("import", folder)
    assert "contradiction\tparts.csv" in plainly.out and "2029-06" in plainly.out


def test_another_lot_in_the_code_is_said_and_the_typed_one_kept(office: Office, folder: Path) -> None:
    answer = office.bring(write(folder, parts=HEADING + f"U1 | battery | A213B7 | | {GS1}\n"))
    assert _parts(office) == [("U1", "battery", "A213B7", "2028-12-31", "2028-12-31", "gs1")]
    ((row, column, value, cure),) = _said(answer, "contradictions")
    assert (row, column, value) == (2, "lot", "A213B7")
    assert "says A213B1" in cure and "until then no notice about lots can tell" in cure


NOTICE = """
reference = "FSN-LOT"
title = "cells may fail"
source = "letter of the maker"
issued_by = "manufacturer"
published_on = 2026-11-20
action = "stop using"
[[concerns]]
every_model = true
parts = ["battery"]
lots = ["A213B1"]
"""


def test_a_recalled_lot_that_was_typed_wrong_is_never_clear(office: Office, folder: Path, tmp_path: Path) -> None:
    parts = (
        f"U1 | battery | A213B7 | | {GS1}\n"  # the code says the recalled lot
        "U2 | battery | A213B7 | 2029-01 | (01)09521234543213(17)290131\n"  # the code says no lot
        "U3 | battery | a213 b7 | 2029-01 | (01)09521234543213(17)290131(10)A213B7\n"
    )
    office.bring(write(folder, parts=HEADING + parts))
    (tmp_path / "fsn.toml").write_text(NOTICE, "utf-8")
    found = office.run("notice", "add", tmp_path / "fsn.toml").document["units"]
    assert [(one["unit"], one["finding"]) for one in found] == [("U1", "cannot tell")]
    office.bring(write(folder, parts=HEADING + f"U1 | battery | A213B1 | | {GS1}\n"))
    found = office.run("notice", "list").document[0]["units"]
    assert [(one["unit"], one["finding"]) for one in found] == [("U1", "matches")]


def test_a_lot_that_differs_in_case_and_blanks_only_is_no_contradiction(office: Office, folder: Path) -> None:
    answer = office.bring(write(folder, parts=HEADING + f"U1 | battery | a213 b1 | 2028-12-31 | {GS1}\n"))
    assert _said(answer, "contradictions") == []
    assert _parts(office) == [("U1", "battery", "a213 b1", "2028-12-31", "2028-12-31", "gs1")]


def test_an_export_with_codes_brought_in_again_changes_nothing_there_or_elsewhere(
    office: Office, folder: Path, tmp_path: Path
) -> None:
    parts = (
        f"U1 | battery | | 2029-06 | {GS1}\nU1 | pads-adult | A9 | 2027-03 | {GS1}\n"
        f"U2 | battery | | | {GS1}\nU2 | pads-adult | X | 2027-03 | nobody can read this\nU3 | battery | | | =9999XYZ"
    )
    office.bring(write(folder, parts=HEADING + parts))
    before = office.everything()
    office.run("export", tmp_path / "out")
    answer = office.bring(tmp_path / "out")
    assert answer.counts("parts") == (0, 0, 5, 0)
    assert office.everything() == before
    workbook = tmp_path / "out.xlsx"
    office.run("export", workbook)
    assert office.bring(workbook).counts("parts") == (0, 0, 5, 0)
    assert office.everything() == before


def test_a_code_that_cannot_be_read_is_a_warning_and_the_row_goes_in_as_typed(office: Office, folder: Path) -> None:
    parts = (
        "U1 | battery | B1 | 2028-06 | blah blah\n"
        # §4.4: ICCBBA, recognised by its first character
        "U2 | battery | B2 | 2028-06 | =/A9999XYZ100T0944=\n"
        # §4.4: the GTIN's check digit is printed 5 and should be 7 (parse example for the US GUDID service, READ)
        "U3 | battery | | | (01)00208851107345(17)150331\n"
    )
    answer = office.bring(write(folder, parts=HEADING + parts))
    assert _parts(office) == [
        ("U1", "battery", "B1", "2028-06", "2028-06-30", "typed"),
        ("U2", "battery", "B2", "2028-06", "2028-06-30", "typed"),
        ("U3", "battery", "", "2015-03-31", "2015-03-31", "gs1"),
    ]
    warnings = _said(answer, "warnings")
    assert [(row, column) for row, column, _, _ in warnings] == [(2, "udi"), (3, "udi"), (4, "udi")]
    assert "cannot be read" in warnings[0][3]
    assert "ICCBBA" in warnings[1][3]
    assert "check digit" in warnings[2][3]


def test_a_bare_product_number_gives_no_lot_and_no_date(office: Office, folder: Path) -> None:
    # GTIN-14 with a right check digit that begins with 17 and 10: read as fields it would give a date and a lot.
    parts = "U1 | battery | | | 17260101000006\nU2 | battery | | | 10952123454321\n"
    answer = office.bring(write(folder, parts=HEADING + parts))
    assert [row[2:5] for row in _parts(office)] == [("", "", "")] * 2
    assert all("product number alone" in cure for *_, cure in _said(answer, "warnings"))


def test_a_number_that_only_begins_like_a_lot_or_a_serial_is_not_taken_for_one(office: Office, folder: Path) -> None:
    units = "unit | site | serial | udi\nU1 | MILL | | 21000123\nU2 | MILL | | (21)000123"
    answer = office.bring(write(folder, units=units, parts=HEADING + "U1 | battery | | | 1012345\n"))
    assert [row[2:5] for row in _parts(office)] == [("", "", "")]
    assert office.rows("SELECT unit, serial FROM units WHERE serial <> ''") == [("U2", "000123")]
    warnings = _said(answer, "warnings")
    assert [(row, value) for row, _, value, _ in warnings] == [(2, "21000123"), (2, "1012345")]
    assert all("may be any number" in cure for *_, cure in warnings)


def test_an_odd_date_in_a_code_is_refused_at_the_code(office: Office, folder: Path) -> None:
    odd = "(01)09521234543213(17)401231(10)A213B1"
    answer = office.run("import", write(folder, parts=HEADING + f"U1 | pads-adult | | | {odd}\n"))
    assert answer.status == 2
    assert [(row, column) for _, row, column, _ in answer.problems()] == [(2, "udi")]
    assert "2040-12-31" in answer.problems()[0][3] and "more than 5 years" in answer.problems()[0][3]
    assert office.run("import", folder, "--accept-odd").status == 0
    assert office.rows("SELECT odd FROM parts") == [(True,)] or office.rows("SELECT odd FROM parts") == [(1,)]


def test_a_date_in_a_code_from_another_century_is_not_taken(office: Office, folder: Path) -> None:
    # §4.2, the sliding century: in 2026 the year 77 is 1977
    answer = office.bring(write(folder, parts=HEADING + "U1 | battery | | | (01)09521234543213(17)770101\n"))
    assert [row[3] for row in _parts(office)] == [""]
    assert "1977-01-01, outside the years" in _said(answer, "warnings")[0][3]


def test_a_code_brought_later_never_pushes_the_date_on_record_back(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts="unit | kind | label_date\nU1 | battery | 2027-06\nU2 | battery | 2029-06\n"))
    answer = office.bring(write(folder, parts=f"unit | kind | udi\nU1 | battery | {GS1}\nU2 | battery | {GS1}\n"))
    assert [row[2:] for row in _parts(office)] == [
        ("A213B1", "2027-06", "2027-06-30", "typed"),
        ("A213B1", "2028-12-31", "2028-12-31", "gs1"),
    ]
    told = _said(answer, "contradictions")
    assert [(row, column) for row, column, _, _ in told] == [(2, "udi"), (3, "udi")]
    assert "on record is 2027-06" in told[0][3] and "says 2028-12-31" in told[0][3]
    before = office.everything()
    assert office.bring(folder).counts("parts") == (0, 0, 2, 0)
    assert office.everything() == before


def test_a_typed_date_brought_later_does_not_get_past_the_code_on_record(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + f"U1 | battery | | | {GS1}\n"))
    answer = office.bring(write(folder, parts="unit | kind | label_date\nU1 | battery | 2031-06\n"))
    assert [row[3:] for row in _parts(office)] == [("2028-12-31", "2028-12-31", "gs1")]
    ((row, column, value, cure),) = _said(answer, "contradictions")
    assert (row, column, value) == (2, "label_date", "2031-06")
    assert "the label's code on record (udi) says 2028-12-31" in cure


@pytest.mark.parametrize("exchanged", ["U1 | battery | NEW7 | 2031-06", "U1 | battery | | "])
def test_the_code_of_a_part_that_was_exchanged_does_not_stay_with_the_new_one(
    office: Office, folder: Path, tmp_path: Path, exchanged: str
) -> None:
    office.bring(write(folder, parts=HEADING + f"U1 | battery | | | {GS1}\n"))
    answer = office.bring(write(folder, parts="unit | kind | lot | label_date\n" + exchanged))
    assert ("U1 battery fitted, lot A213B1", "udi", GS1, "") in answer.changes()
    assert _said(answer, "contradictions") == []
    before = office.everything()
    office.run("export", tmp_path / "out")
    assert office.bring(tmp_path / "out").counts("parts") == (0, 0, 1, 0)
    assert office.everything() == before


def test_a_units_sheet_may_have_the_codes_of_its_parts(office: Office, tmp_path: Path) -> None:
    units = f"unit | site | battery udi | pads expiry\nU1 | MILL | {GS1} | 2027-05"
    office.bring(write(tmp_path / "files", sites=SITES, units=units))
    assert [row[1:4] for row in _parts(office)] == [("battery", "A213B1", "2028-12-31"), ("pads-adult", "", "2027-05")]


def test_the_code_of_a_device_fills_its_serial_and_the_day_it_was_made(office: Office, tmp_path: Path) -> None:
    # §4.4, FDA "UDI formats by issuing agency" v1.3 (READ): made 2014-12-31, serial 1234
    udi = "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234"
    units = f"unit | site | serial | made_on | udi\nU1 | MILL | | | {udi}\nU2 | MILL | 99 | 2015-02-01 | {udi}"
    files = write(tmp_path / "files", sites=SITES, units=units)
    answer = office.bring(files)
    held = office.rows("SELECT unit, serial, made_on FROM units ORDER BY unit")
    assert [(unit, serial, str(day)) for unit, serial, day in held] == [
        ("U1", "1234", "2014-12-31"),
        ("U2", "99", "2014-12-31"),
    ]
    told = _said(answer, "contradictions")
    assert [(row, column, value) for row, column, value, _ in told] == [
        (3, "serial", "99"),
        (3, "made_on", "2015-02-01"),
    ]
    assert "says 1234; 99 is kept as typed" in told[0][3]
    assert any("not kept" in remark for remark in answer.document["remarks"])
    before = office.everything()
    assert office.bring(files).counts("units") == (0, 0, 2, 0)
    office.run("export", tmp_path / "out")
    assert office.bring(tmp_path / "out").counts("units") == (0, 0, 2, 0)
    assert office.everything() == before


def test_what_is_settled_once_stays_settled() -> None:
    today = date(2026, 11, 25)
    for typed in (None, LabelDate("2029-06", date(2029, 6, 30)), LabelDate("2027-06", date(2027, 6, 30))):
        for lot in ("", "A213B1", "Q7"):
            once = of_part(GS1, lot, typed, today)
            again = of_part(GS1, once.lot, once.label, today)
            assert (again.lot, again.label and again.label.last_good_day) == (
                once.lot,
                once.label and once.label.last_good_day,
            )
            if typed is not None:
                assert once.label is not None and once.label.last_good_day <= typed.last_good_day
