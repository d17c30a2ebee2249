"""CSV files in every kind of letters and with every delimiter that people's programs write."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.register.reading import read

from .build import csv_file, first, said, text, values

WESTERN = [
    ["Gerät", "Standort", "Aufstellort", "Bemerkung"],
    ["G-1", "RAT", "Gerätehaus, Süd; links", "Prüfung fällig"],
    ["G-2", "RAT", "Fluß­ufer".replace("\u00ad", ""), "Schlüssel beim Pförtner"],
]
JAPANESE = [["機器番号", "拠点", "設置位置", "備考"], ["A-1", "市役所", "1階ロビー、左; 奥", "点検済み"]]
KANJI_ONLY = [["機器番号", "拠点", "設置位置", "備考"], ["A-1", "市役所", "正面玄関", "点検済"]]

UTF_8 = ("utf-8", "utf-8-sig", "utf-16")


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize(
    ("rows", "encoding"),
    [(rows, encoding) for rows in (WESTERN, JAPANESE, KANJI_ONLY) for encoding in UTF_8]
    + [(WESTERN, "cp1252"), (JAPANESE, "cp932"), (KANJI_ONLY, "cp932")],
)
def test_letters_and_delimiter_are_told(rows: list[list[str]], encoding: str, delimiter: str, tmp_path: Path) -> None:
    path = csv_file(tmp_path / "units.csv", rows, delimiter, encoding)
    reading = read(path)
    found = values(reading, "units")
    assert [list(row.values()) for row in found] == rows[1:]
    assert list(found[0]) == ["unit", "site", "spot", "notes"]


@pytest.mark.parametrize(
    ("rows", "encoding", "named"),
    [(WESTERN, "cp1252", "Windows-1252"), (JAPANESE, "cp932", "CP932"), (WESTERN, "utf-16", "UTF-16")],
)
def test_letters_that_had_to_be_told_are_said(rows: list[list[str]], encoding: str, named: str, tmp_path: Path) -> None:
    reading = read(csv_file(tmp_path / "units.csv", rows, ";", encoding))
    assert any(named in remark for remark in reading.remarks)
    assert not any("letters" in remark for remark in read(csv_file(tmp_path / "units.csv", rows)).remarks)


def test_a_western_file_that_could_be_japanese_is_western(tmp_path: Path) -> None:
    # "ät" and "ße" in Windows-1252 are the bytes of Japanese characters; no heading has an umlaut.
    rows = [["unit", "site", "spot"], ["G-1", "RAT", "Gerätehaus"]]
    raw = text(rows).encode("cp1252")
    assert raw.decode("cp932") != raw.decode("cp1252")
    assert first(csv_file(tmp_path / "units.csv", rows, encoding="cp1252"))["spot"] == "Gerätehaus"


def test_a_japanese_file_with_plain_headings_is_japanese(tmp_path: Path) -> None:
    rows = [["unit", "site", "spot"], ["A-1", "S", "ロビーの左"]]
    assert first(csv_file(tmp_path / "units.csv", rows, encoding="cp932"))["spot"] == "ロビーの左"


@pytest.mark.parametrize(
    ("spot", "encoding"),
    [
        ("正面玄関横警備室前総合案内所右側設置", "cp932"),
        ("Gerätehaus für Übungsgeräte, größere Flächen", "cp1252"),
        ("à côté de l'entrée, près du préau", "cp1252"),
    ],
)
def test_where_neither_headings_nor_kana_tell_the_letters_do(spot: str, encoding: str, tmp_path: Path) -> None:
    rows = [["unit", "spot"], *([f"A-{n}", spot] for n in range(20))]
    assert first(csv_file(tmp_path / "units.csv", rows, encoding=encoding))["spot"] == spot


def test_a_utf_8_file_with_one_damaged_letter_is_not_taken_for_another_kind(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes("unit,spot\nA,Müllerstraße ö\nB,Süd".encode() + b"\xff\n")
    with pytest.raises(UserError, match="row 3 has letters in it that cannot be told"):
        read(path)


@pytest.mark.parametrize("ending", ["\r\n", "\n", "\r"])
def test_any_line_ending_will_do(ending: str, tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes(text([["unit", "site"], ["A", "S"], ["B", "S"]]).replace("\r\n", ending).encode())
    assert [row["unit"] for row in values(read(path), "units")] == ["A", "B"]


def test_rows_are_counted_as_a_spreadsheet_does(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text('unit,spot,made_on\nA,"two\nlines",\n\n,,\nB,,03/04/2027\n', "utf-8")
    reading = read(path)
    assert [row.where.row for row in reading.tables["units"]] == [2, 5]
    assert reading.problems[0].row == 5


def test_a_first_line_that_names_the_delimiter_is_no_row(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text("sep=|\nunit|site|spot\nA|S|x, y; z\n", "utf-8")
    reading = read(path)
    assert values(reading, "units") == [{"unit": "A", "site": "S", "spot": "x, y; z"}]
    assert reading.tables["units"][0].where.row == 2


def test_one_column_needs_no_delimiter(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text("unit\nA;1\n", "utf-8")
    assert values(read(path), "units") == [{"unit": "A;1"}]


def test_delimiters_in_headings_do_not_mislead(tmp_path: Path) -> None:
    rows = [["unit", "site", "Remarks, old; and new, too", "spot"], ["A", "S", "x", "lobby"]]
    for delimiter in (",", ";", "\t"):
        assert first(csv_file(tmp_path / "units.csv", rows, delimiter))["spot"] == "lobby"


def test_a_row_with_more_cells_than_headings_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text("unit,spot,serial\nA,lobby, left,123\nB,lobby,124,\n", "utf-8")
    assert said(read(path)) == [
        "units.csv, row 2: '123': has more cells than there are headings (3); put a text with the delimiter in it in "
        "quotes"
    ]


@pytest.mark.parametrize(
    ("body", "row", "cure"),
    [
        ('unit,spot\nA,"lobby\nB,hall\n', 2, "never closed"),
        ('unit,spot\nA,x\nB,"the "main" hall"\n', 3, "write it twice"),
    ],
)
def test_a_broken_quotation_is_a_problem_with_its_row(body: str, row: int, cure: str, tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text(body, "utf-8")
    problems = read(path).problems
    assert [problem.row for problem in problems] == [row]
    assert cure in problems[0].cure


def test_a_folder_is_read_file_by_file(tmp_path: Path) -> None:
    csv_file(tmp_path / "units.csv", [["unit", "site"], ["A", "S"]])
    csv_file(tmp_path / "Standorte.csv", [["Standort", "Name"], ["S", "Schule"]], ";", "cp1252")
    csv_file(
        tmp_path / "点検記録.csv", [["機器番号", "日時", "記録"], ["A", "2026/11/01 10:00", "点検"]], encoding="cp932"
    )
    csv_file(tmp_path / "budget.csv", [["a", "b"], ["1", "2"]])
    (tmp_path / "notes.md").write_text("x", "utf-8")
    reading = read(tmp_path)
    assert list(reading.tables) == ["sites", "units", "log"]
    assert reading.tables["log"][0].values["entry"] == "check"
    assert any(remark.startswith("budget.csv: not read") for remark in reading.remarks)
