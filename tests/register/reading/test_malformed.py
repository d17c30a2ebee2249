"""Files that are broken, huge or made to do harm: each ends in one clear sentence, and soon."""

from __future__ import annotations

import contextlib
import os
import struct
import zipfile
from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.register import archives, csvfiles, grids, sheets
from nightround.register.reading import read

from .build import change_part, csv_file, ods_file, said, xlsx_file

SHEET = "xl/worksheets/sheet1.xml"


def _refusal(path: Path) -> str:
    with pytest.raises(UserError) as caught:
        read(path)
    text = str(caught.value)
    assert path.name in text
    assert "\n" not in text
    assert ";" in text or "," in text  # what is wrong, and the cure
    return text


def _bomb(path: Path, size: int = 60_000_000) -> Path:
    """A workbook with a shared string of many blanks: some 60 kB that unpack to 60 MB."""
    xlsx_file(path, {"units": [["unit"], ["A"]]})
    change_part(path, "xl/sharedStrings.xml", lambda xml: xml.replace(b"unit", b"unit" + b" " * size))
    return path


def test_a_zip_bomb_is_refused(tmp_path: Path) -> None:
    path = _bomb(tmp_path / "bomb.xlsx")
    assert path.stat().st_size < 100_000
    assert "unpacks to far more than its size" in _refusal(path)


def test_a_zip_bomb_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    path = _bomb(tmp_path / "bomb.xlsx")
    raw = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as book:
        info = book.getinfo("xl/sharedStrings.xml")
    true_size = struct.pack("<I", info.file_size)
    while (place := raw.find(true_size)) >= 0:
        raw[place : place + 4] = struct.pack("<I", 500)
    path.write_bytes(raw)
    with zipfile.ZipFile(path) as book:
        assert book.getinfo("xl/sharedStrings.xml").file_size == 500
    assert "unpacks to far more than its size" in _refusal(path)


def test_a_file_that_unpacks_beyond_the_limit_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archives, "MOST_UNPACKED", 1000)
    assert "unpacks to far more" in _refusal(xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]}))


@pytest.mark.parametrize("name", ["b.xlsx", "units.csv"])
def test_a_file_that_is_too_large_is_refused_unread(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (archives, csvfiles):
        monkeypatch.setattr(module, "MOST_BYTES", 10)
    path = tmp_path / name
    path.write_bytes(b"x" * 11)
    assert "are the most, so split" in _refusal(path)


def test_a_cell_in_the_far_corner_does_not_fill_the_memory(tmp_path: Path) -> None:
    # Laid out as a full rectangle, these two cells would take half a terabyte.
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]})
    far = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    change_part(path, SHEET, lambda xml: xml.replace(b"</sheetData>", far))
    assert "reaches over 16384 columns; 256 are the most" in _refusal(path)


@pytest.mark.parametrize(
    "cell",
    [
        b"<c\n r='XFD1048576'><v>1</v></c>",
        b'<c s="1" t="n" r = "XFD1048576" ><v>1</v></c>',
        b'<x:c xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main" r="XFD1048576"><v>1</v></x:c>',
        b'<c r="xfd1048576"><v>1</v></c>',
        b'<c r="A9999999999"><v>1</v></c>',
    ],
)
def test_a_far_cell_cannot_hide_in_its_spelling(cell: bytes, tmp_path: Path) -> None:
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]})
    change_part(path, SHEET, lambda xml: xml.replace(b"</sheetData>", b"<row>" + cell + b"</row></sheetData>"))
    assert "are the most" in _refusal(path)


def test_a_sheet_cannot_hide_behind_its_path(tmp_path: Path) -> None:
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]})
    far = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    change_part(path, SHEET, lambda xml: xml.replace(b"</sheetData>", far))
    change_part(
        path, "xl/_rels/workbook.xml.rels", lambda xml: xml.replace(b"worksheets/sheet1.xml", b"Worksheets/SHEET1.xml")
    )
    assert "are the most" in _refusal(path)


def test_a_sheet_that_is_long_and_wide_is_refused(tmp_path: Path) -> None:
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]})
    far = b'<row r="900000"><c r="AZ900000"><v>1</v></c></row></sheetData>'
    change_part(path, SHEET, lambda xml: xml.replace(b"</sheetData>", far))
    assert "900000 rows and 52 columns, nearly all of them empty" in _refusal(path)


@pytest.mark.parametrize(("rows", "columns"), [(1_000_000, 200), (10, 16_384), (2_000_000, 1)])
def test_repeated_cells_of_an_ods_file_are_counted_before_they_are_made(
    rows: int, columns: int, tmp_path: Path
) -> None:
    path = ods_file(tmp_path / "b.ods", {"units": [["unit"], ["A"]]})
    many = (
        f'<table:table-row table:number-rows-repeated="{rows}"><table:table-cell office:value-type="string" '
        f'table:number-columns-repeated="{columns}"><text:p>x</text:p></table:table-cell></table:table-row>'
        "</table:table>"
    )
    change_part(path, "content.xml", lambda xml: xml.replace(b"</table:table>", many.encode()))
    assert "are the most" in _refusal(path)


def test_empty_repeated_cells_at_the_end_of_an_ods_file_are_no_cells(tmp_path: Path) -> None:
    path = ods_file(tmp_path / "b.ods", {"units": [["unit"], ["A"]]})
    filler = (
        b'<table:table-row table:number-rows-repeated="1048574">'
        b'<table:table-cell table:number-columns-repeated="16384"/></table:table-row></table:table>'
    )
    change_part(path, "content.xml", lambda xml: xml.replace(b"</table:table>", filler))
    assert len(read(path).tables["units"]) == 1


def test_entities_in_a_workbook_are_not_expanded(tmp_path: Path) -> None:
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]]})
    laughs = b'<!DOCTYPE w [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]><workbook '
    change_part(path, "xl/workbook.xml", lambda xml: xml.replace(b"<workbook ", laughs))
    assert "damaged" in _refusal(path)


@pytest.mark.parametrize("suffix", [".xlsx", ".ods"])
def test_a_truncated_workbook_is_refused(suffix: str, tmp_path: Path) -> None:
    whole = (xlsx_file if suffix == ".xlsx" else ods_file)(tmp_path / f"w{suffix}", {"units": [["unit"], ["A"]]})
    raw = whole.read_bytes()
    for cut in (0, 10, len(raw) // 2, len(raw) - 5):
        path = tmp_path / f"cut{suffix}"
        path.write_bytes(raw[:cut])
        _refusal(path)


def test_a_workbook_with_a_flipped_byte_is_refused_or_read_but_never_breaks(tmp_path: Path) -> None:
    whole = xlsx_file(tmp_path / "w.xlsx", {"units": [["unit", "spot"], ["A", "lobby"]]})
    raw = whole.read_bytes()
    path = tmp_path / "flipped.xlsx"
    for place in range(0, len(raw), 61):
        path.write_bytes(raw[:place] + bytes([raw[place] ^ 0x55]) + raw[place + 1 :])
        with contextlib.suppress(UserError):
            read(path)


@pytest.mark.parametrize("suffix", [".xlsx", ".ods"])
def test_what_is_no_workbook_is_refused(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"b{suffix}"
    path.write_bytes(b"unit,site\nA,S\n")
    assert "not a workbook" in _refusal(path)
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("letter.txt", "hello")
    assert "not a workbook" in _refusal(path)
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512))
    assert "locked with a password" in _refusal(path)


def test_an_encrypted_ods_file_is_refused(tmp_path: Path) -> None:
    path = ods_file(tmp_path / "b.ods", {"units": [["unit"], ["A"]]})
    locked = (
        b'<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml">'
        b'<manifest:encryption-data manifest:checksum-type="x" manifest:checksum="y"/>'
        b"</manifest:file-entry></manifest:manifest>"
    )
    change_part(path, "META-INF/manifest.xml", lambda xml: xml.replace(b"</manifest:manifest>", locked))
    change_part(path, "content.xml", lambda xml: os.urandom(len(xml)))
    _refusal(path)


@pytest.mark.parametrize(
    "raw",
    [
        b"PK\x03\x04unit",
        b"unit,site\n\x00\x01\x02\x03",
        b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR",
        b"\xff\xfeu\x00n\x00i\x00t",  # an odd number of bytes: half a letter
        b"unit,spot\nA,\x81\x20\x81\x20\n",  # neither UTF-8 nor CP932 nor Windows-1252
        b"",
        b"\n\n,,\n",
    ],
)
def test_a_csv_file_that_is_no_text_is_refused(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes(raw)
    _refusal(path)


@pytest.mark.parametrize("unit", [b"x", b"x,", b'"x', b"\xe4", "あ".encode("cp932")])
def test_ten_megabytes_on_one_line_are_one_sentence(unit: bytes, tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes(unit * (10_000_000 // len(unit)))
    try:
        sentences = said(read(path))
    except UserError as error:
        sentences = [str(error)]
    assert len(sentences) == 1
    assert "units.csv" in sentences[0]
    assert len(sentences[0]) < 400


def test_too_many_columns_or_rows_are_one_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wide = csv_file(tmp_path / "units.csv", [["unit"], ["A", *["x"] * grids.MOST_COLUMNS]])
    assert said(read(wide)) == [
        "units.csv, row 2: has 257 columns; 256 are the most. Is this the CSV file you meant?",
    ]
    monkeypatch.setattr(csvfiles, "MOST_ROWS", 2)
    long = csv_file(tmp_path / "units.csv", [["unit"], ["A"], ["B"]])
    assert said(read(long)) == ["units.csv, row 3: the file has more rows; 2 are the most, so split it"]
    monkeypatch.setattr(sheets, "MOST_ROWS", 2)
    assert "reaches over" in _refusal(xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"], ["B"]]}))


def test_a_cell_that_is_too_long_is_a_problem(tmp_path: Path) -> None:
    path = csv_file(tmp_path / "units.csv", [["unit", "notes"], ["A", "x" * 40_000]])
    assert "40000 characters long; 32767 are the most" in said(read(path))[0]


@pytest.mark.parametrize("name", ["units.pdf", "units.xls", "units.xlsb", "units"])
def test_other_kinds_of_files_are_refused_by_name(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(b"x")
    assert "of no kind that can be read" in _refusal(tmp_path / name)


def test_what_is_not_there_or_empty_is_refused(tmp_path: Path) -> None:
    assert "is not there" in _refusal(tmp_path / "gone.xlsx")
    (tmp_path / "folder").mkdir()
    assert "holds no CSV files" in _refusal(tmp_path / "folder")
