"""Opens .xlsx and .ods workbooks as grids of cells. Reads only; a workbook that would eat the memory never gets far.

The library that reads the cells lays a sheet out as one full rectangle, so a far-off cell could ask for terabytes.
Each sheet is therefore measured first, in the same pass that unpacks it, and refused where it is too large. That pass
also finds the cells that only look empty: formulas that failed or were never worked out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from posixpath import dirname, join, normpath

from defusedxml import DefusedXmlException  # type: ignore[import-untyped]
from defusedxml.ElementTree import ParseError, fromstring  # type: ignore[import-untyped]
from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook, PasswordError, SheetTypeEnum

from ..errors import UserError
from .archives import Archive
from .cells import LONGEST, NOT_WORKED_OUT, Cell
from .grids import (
    MODEST_CELLS,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_ROWS,
    MOST_SPARSE,
    MOST_TEXT,
    Grid,
    column_index,
)  # fmt: skip

_NO_RESULT = "holds a formula without a result; open the file in the spreadsheet program and save it, or type the value"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ATTRIBUTES = rb"""((?:[^<>"']|"[^<"]*"|'[^<']*')*)"""

# Cells of an .xlsx sheet: any at all, quickly; those with something in them; those that failed; those with a formula
# and no value.
_ANY_COLUMN = re.compile(rb"""r\s*=\s*["']([A-Za-z]{1,7})\d""")
_FAR_ROW = re.compile(rb"""r\s*=\s*["'][A-Za-z]{1,7}(\d{6,10})["']""")
_CELL = re.compile(rb"""<(?:\w+:)?c\s(?:[^<>]*?\s)?r\s*=\s*["']([A-Za-z]{1,7})(\d{1,10})["'][^<>]*(?<!/)>""")
_FAILED = re.compile(
    rb"""<(?:\w+:)?c\s(?=[^<>]*\bt\s*=\s*["']e["'])[^<>]*?\br\s*=\s*["']([A-Za-z]{1,7})(\d{1,10})["']"""
)
_WITHOUT = re.compile(
    rb"""<(?:\w+:)?c\s(?![^<>]*\bt\s*=\s*["']str["'])[^<>]*?\br\s*=\s*["']([A-Za-z]{1,7})(\d{1,10})["'][^<>]*>\s*"""
    rb"""<(?:\w+:)?f(?:\s[^<>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*"""
    rb"""</(?:\w+:)?c>"""
)

_CELL_TAGS = (b"<c ", b"<c>", b"<c\n", b":c ", b":c>", b":c\n")
_CELL_TAG = re.compile(rb"<(?:\w+:)?c[\s/>]")
_ROW_TAG = re.compile(rb"<(?:\w+:)?row[\s/>]")
_SHARING = re.compile(rb"""<(?:\w+:)?c\s(?=[^<>]*\bt\s*=\s*["']s["'])[^<>]*>\s*<(?:\w+:)?v>\s*(\d{1,9})\s*<""")
# Numbers at which the library gives up in a cell that is formatted as a date, and far more than anybody counts.
_BEYOND = re.compile(rb"v>\s*(-\d{11,}[\d.]*|-[\d.]+[Ee]\+?1[1-9]\b|-?[\d.]+[Ee]\+?(?:[2-9]\d+|\d{3,}))")
_SHARED = "xl/sharedStrings.xml"
_LONGEST_GAP = 2_000_000  # bytes without a tag: far more than the longest cell, however its signs are written
_MOST_OF_TREE = 4_000_000  # bytes of a part that is read as a tree: those that name the sheets

# Tables, rows and cells of an .ods file.
_ODS = re.compile(
    rb"<(/?)(table:table-row|table:table-cell|table:covered-table-cell|table:table|text:s)(?=[\s/>])"
    + _ATTRIBUTES
    + rb">"
)
_BLANKS = re.compile(rb"""text:c\s*=\s*["'](\d{1,10})["']""")
_REPEATED = re.compile(rb"""table:number-(?:rows|columns)-repeated\s*=\s*["'](\d{1,10})["']""")
_ODS_FAILED = re.compile(rb"""calcext:value-type\s*=\s*["']error["']""")
_ODS_1904 = re.compile(rb"""<table:null-date\s[^<>]*table:date-value\s*=\s*["']1904-01-01""")


@dataclass(slots=True)
class _Measure:
    """How far a sheet reaches, how many cells it has, how much text, and which of its cells only look empty."""

    rows: int = 0
    columns: int = 0
    cells: int = 0
    text: int = 0
    faults: dict[tuple[int, int], str] = field(default_factory=dict)

    def check(self, file: str, sheet: str) -> None:
        for count, most, what in (
            (self.rows, MOST_ROWS, "rows"),
            (self.columns, MOST_COLUMNS, "columns"),
            (self.cells, MOST_CELLS, "cells"),
        ):
            if count > most:
                raise UserError(
                    f"{file}, sheet {sheet} reaches over {count} {what}; {most} are the most, so clear what lies "
                    "far from the table, or split it"
                )
        if _is_sparse(self.rows, self.columns, self.cells):
            raise UserError(
                f"{file}, sheet {sheet} reaches over {self.rows} rows and {self.columns} columns, nearly all of them "
                "empty; clear what lies far from the table"
            )
        if self.text > MOST_TEXT:
            raise UserError(
                f"{file}, sheet {sheet} holds over {MOST_TEXT // 1_000_000} MB of text; that is the most, so "
                "take out what is not needed, or split it"
            )


def _is_sparse(rows: int, columns: int, cells: int) -> bool:
    return rows * columns > max(MODEST_CELLS, MOST_SPARSE * cells)


@dataclass(slots=True)
class _Measured:
    """A workbook's sheets by name, and whether it counts days from 1904."""

    sheets: dict[str, _Measure] = field(default_factory=dict)
    from_1904: bool = False


def open_workbook(path: Path) -> list[Grid]:
    """The sheets of a workbook, in its order. Cells are read when the rows are asked for.

    Raises UserError where the file is not a workbook, is damaged, locked or too large.
    """
    with path.open("rb") as file:
        start = file.read(8)
    if start == _OLE:
        raise UserError(
            f"{path.name} is locked with a password or is of an old kind (.xls); save it as .xlsx without a password"
        )
    with Archive(path) as archive:
        measured = (_ods if path.suffix.lower() == ".ods" else _xlsx)(archive, path.name)
    try:
        book = CalamineWorkbook.from_path(path)
    except PasswordError:
        raise UserError(f"{path.name} is locked with a password; save it without one") from None
    except (CalamineError, OSError, ValueError) as error:
        raise _unreadable(path.name, error) from None
    found = []
    for sheet in book.sheets_metadata:
        if sheet.typ == SheetTypeEnum.WorkSheet:
            measure = measured.sheets.get(sheet.name, _Measure())
            rows = _Rows(_loader(book, sheet.name, path.name), f"{path.name}, sheet {sheet.name}")
            found.append(Grid(path.name, sheet.name, rows, measure.rows or None, measured.from_1904, measure.faults))
    return found


class _Rows:
    """The rows of a sheet, loaded when somebody asks for them."""

    def __init__(self, load: Callable[[], CalamineSheet], where: str) -> None:
        self._load = load
        self._where = where

    def __iter__(self) -> Iterator[list[Cell]]:
        sheet = self._load()
        if sheet.start is None:
            return
        # Rows come from the sheet's first one on, but columns from the first that holds anything.
        blank: list[Cell] = [""] * sheet.start[1]
        rows = sheet.iter_rows()
        number = 0
        while True:
            number += 1
            try:
                row = next(rows, None)
            except OverflowError:
                raise UserError(
                    f"{self._where}, row {number}: holds a time beyond all bounds; make the cell text and type it again"
                ) from None
            if row is None:
                return
            yield [*blank, *row] if blank else row


def _loader(book: CalamineWorkbook, name: str, file: str) -> Callable[[], CalamineSheet]:
    def load() -> CalamineSheet:
        try:
            return book.get_sheet_by_name(name)
        except (CalamineError, OSError, ValueError) as error:
            raise _unreadable(file, error) from None

    return load


def _unreadable(file: str, error: Exception) -> UserError:
    return UserError(
        f"{file} cannot be read ({str(error) or type(error).__name__}); open it in the spreadsheet program and save it "
        "again as .xlsx or .ods"
    )


def _xlsx(archive: Archive, file: str) -> _Measured:
    """Measures every part, whatever it says it is, and then finds out which part is which sheet."""
    counted = {}
    for name in archive.names:
        counted[name] = _count(archive.chunks(name), file, name, (b"<row", b":row"), _CELL_TAGS)
    lengths = _lengths_of_shared(archive, file)
    parts = {}
    for name in archive.names:
        parts[name] = _measure_part(archive, file, name, counted[name], lengths)
        parts[name].check(file, name)
    main = "xl/workbook.xml"
    for target, kind, _ in _relations(archive, "_rels/.rels", ""):
        if kind.endswith("/officeDocument"):
            main = target
    document = _parse(archive, main)
    if document is None:
        raise UserError(f"{file} is not a workbook; save it as .xlsx or .ods in the spreadsheet program")
    folder = dirname(main)
    related = {
        key: target for target, _, key in _relations(archive, f"{folder}/_rels/{main.rpartition('/')[2]}.rels", folder)
    }
    measured = _Measured()
    for element in document.iter():
        tag = element.tag.rpartition("}")[2]
        if tag == "workbookPr":
            measured.from_1904 = element.get("date1904", "").lower() in ("1", "true", "on")
        elif tag == "sheet":
            key = next((value for name, value in element.attrib.items() if name.rpartition("}")[2] == "id"), "")
            measured.sheets[element.get("name", "")] = parts.get(related.get(key, "").lower(), _Measure())
    return measured


def _relations(archive: Archive, name: str, folder: str) -> Iterator[tuple[str, str, str]]:
    """Target, type and id of each relation in a part that lists them."""
    document = _parse(archive, name)
    for element in () if document is None else document.iter():
        if element.tag.rpartition("}")[2] == "Relationship":
            target = element.get("Target", "")
            target = target.lstrip("/") if target.startswith("/") else normpath(join(folder, target))
            yield target, element.get("Type", ""), element.get("Id", "")


def _parse(archive: Archive, name: str):  # type: ignore[no-untyped-def]  # ElementTree's Element or None
    text = archive.read(name, _MOST_OF_TREE)
    if not text:
        return None
    try:
        return fromstring(text, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError):
        raise archive.damaged() from None


def _count(chunks: Iterator[bytes], file: str, name: str, row_tags: Sequence[bytes], cell_tags: Sequence[bytes]) -> int:
    """Counts rows and cells by their tags alone, which is quick, and refuses what has too many before anything else
    looks at it. Gives how many cells there are."""
    measure = _Measure()
    for chunk in chunks:
        measure.rows += sum(map(chunk.count, row_tags))
        measure.cells += sum(map(chunk.count, cell_tags))
        measure.check(file, name)
    return measure.cells


def _lengths_of_shared(archive: Archive, file: str) -> list[int]:
    """The length of each text that cells share, in bytes: the library copies it into every cell."""
    return [
        len(text)
        for piece in _whole(archive.chunks(_SHARED), file, b"<si")
        for text in re.split(rb"<(?:\w+:)?si(?=[\s/>])", piece)[1:]
    ]


def _measure_part(archive: Archive, file: str, name: str, cells: int, lengths: Sequence[int]) -> _Measure:
    """Measures one part, generously first: cells that are only formatted count too, and rows by their digits.

    Only where that is too much is it measured exactly.
    """
    measure = _Measure(cells=cells)
    columns: set[bytes] = set()
    most_rows = 99_999
    much_shared = cells * max(lengths, default=0) > MOST_TEXT
    placed = 0
    for piece in _whole(archive.chunks(name), file, b"<c "):
        found = _ANY_COLUMN.findall(piece)
        columns.update(found)
        most_rows = max(most_rows, max(map(int, _FAR_ROW.findall(piece)), default=0))
        measure.rows += piece.count(b"<row ")
        placed += len(found)
        if much_shared:
            measure.text += sum(lengths[at] for at in map(int, _SHARING.findall(piece)) if at < len(lengths))
        beyond = _BEYOND.search(piece)
        if beyond is not None:
            cell = _CELL.findall(piece[: beyond.start()])
            at = b"".join(cell[-1]).decode() if cell else "?"
            raise UserError(
                f"{file}, sheet {name}, cell {at}: {beyond[1].decode()[:40]} is no number that can be; type it again"
            )
        if b'"e"' in piece or b"'e'" in piece:
            for column, row in _FAILED.findall(piece):
                measure.faults[int(row) - 1, column_index(column.decode())] = NOT_WORKED_OUT
        if b"<f" in piece or b":f" in piece:
            for column, row in _WITHOUT.findall(piece):
                measure.faults[int(row) - 1, column_index(column.decode())] = _NO_RESULT
    # Cells that do not say where they stand are as many columns as there are of them in a row.
    widest = 0 if placed >= cells else _most_in_a_row(_whole(archive.chunks(name), file, b"<c "))
    measure.columns = max(_widest(columns), widest)
    if measure.columns > MOST_COLUMNS or most_rows > MOST_ROWS or _is_sparse(most_rows, measure.columns, measure.cells):
        columns, measure.rows = set(), 0
        for piece in _whole(archive.chunks(name), file, b"<c "):
            here = _CELL.findall(piece)
            columns.update({column for column, _ in here})
            measure.rows = max(measure.rows, max(map(int, {row for _, row in here}), default=0))
        measure.columns = max(_widest(columns), widest)
    return measure


def _most_in_a_row(pieces: Iterator[bytes]) -> int:
    most = in_row = 0
    for piece in pieces:
        first, *rest = map(len, map(_CELL_TAG.findall, _ROW_TAG.split(piece)))
        most = max(most, in_row + first, *rest, 0)
        in_row = rest[-1] if rest else in_row + first
    return most


def _widest(columns: set[bytes]) -> int:
    return max((column_index(column.decode()) + 1 for column in columns), default=0)


def _whole(chunks: Iterator[bytes], file: str, start: bytes) -> Iterator[bytes]:
    """A sheet's XML in pieces that begin with that tag, so that no cell is cut in two; at the least no tag is."""
    rest = b""
    for chunk in chunks:
        rest += chunk
        cut = rest.rfind(start)
        if cut <= 0:
            cut = rest.rfind(b"<")
        if cut > 0:
            yield rest[:cut]
            rest = rest[cut:]
        if len(rest) > _LONGEST_GAP:
            raise UserError(f"{file} holds a cell far longer than {LONGEST} characters; shorten it")
    yield rest


def _ods(archive: Archive, file: str) -> _Measured:
    """Goes through the tables as the cell library does: repeated rows and cells are as many as they say."""
    name = "content.xml"
    if name not in archive.names:
        raise UserError(f"{file} is not a workbook; save it as .xlsx or .ods in the spreadsheet program")
    _count(archive.chunks(name), file, name, (b"<table:table-row",), (b"<table:table-cell",))
    measured = _Measured()
    measure, name = _Measure(), ""
    row = column = repeat = filled = cells = length = count = 0
    for piece in _whole(archive.chunks("content.xml"), file, b"<table:table-cell"):
        measured.from_1904 = measured.from_1904 or _ODS_1904.search(piece) is not None
        at = 0
        for tag_found in _ODS.finditer(piece):
            closing, tag, attributes = tag_found.groups()
            length += tag_found.start() - at
            at = tag_found.end()
            empty = attributes.endswith(b"/")
            if tag == b"text:s":
                length += _times(attributes, _BLANKS)
            elif tag == b"table:table":
                if not closing:
                    measure, name, row = _Measure(), _ods_name(attributes), 0
                    measured.sheets[name] = measure
            elif tag == b"table:table-row":
                if not closing:
                    repeat, column, filled, cells = _times(attributes), 0, 0, 0
                if closing or empty:
                    row += repeat
                    if filled:
                        measure.rows, measure.columns = row, max(measure.columns, filled)
                        measure.cells += cells * repeat
                        measure.check(file, name)
            elif closing:
                measure.text += length * count * repeat
            else:
                count, length = _times(attributes), 0
                if not empty or b"office:value-type" in attributes:
                    filled = column + count
                    cells += count
                    if _ODS_FAILED.search(attributes) and count == repeat == 1:
                        measure.faults[row, column] = NOT_WORKED_OUT
                column += count
        length += len(piece) - at
    return measured


def _times(attributes: bytes, how_often: re.Pattern[bytes] = _REPEATED) -> int:
    found = how_often.search(attributes)
    return int(found[1]) if found else 1


def _ods_name(attributes: bytes) -> str:
    found = re.search(rb"""table:name\s*=\s*(?:"([^"]*)"|'([^']*)')""", attributes)
    if found is None:
        return ""
    raw = (found[1] if found[1] is not None else found[2]).decode("utf-8", "replace")
    return str(fromstring(f"<a>{raw}</a>").text or "") if "&" in raw else raw
