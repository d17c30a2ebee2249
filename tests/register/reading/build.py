# ruff: noqa: DTZ001  (a naive time is local to the site: that is what is read)
"""Files for the tests of reading: written cell by cell, as spreadsheets and people write them."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import xlsxwriter
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from nightround.register.reading import Reading, read

Rows = Iterable[Sequence[Any]]


def text(rows: Rows, delimiter: str = ",") -> str:
    file = io.StringIO()
    csv.writer(file, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    return file.getvalue()


def csv_file(path: Path, rows: Rows, delimiter: str = ",", encoding: str = "utf-8") -> Path:
    path.write_bytes(text(rows, delimiter).encode(encoding))
    return path


def xlsx_file(path: Path, sheets: dict[str, Rows], *, date_1904: bool = False) -> Path:
    book = xlsxwriter.Workbook(path, {"date_1904": date_1904})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, datetime):
                    sheet.write_datetime(r, c, cell, moment)
                elif isinstance(cell, date):
                    sheet.write_datetime(r, c, datetime(cell.year, cell.month, cell.day), day)
                elif isinstance(cell, str):
                    sheet.write_string(r, c, cell)
                elif cell is not None:
                    sheet.write(r, c, cell)
    book.close()
    return path


def ods_file(path: Path, sheets: dict[str, Rows]) -> Path:
    document = OpenDocumentSpreadsheet()
    for name, rows in sheets.items():
        table = Table(name=name)
        for row in rows:
            line = TableRow()
            for cell in row:
                line.addElement(_ods_cell(cell))
            table.addElement(line)
        document.spreadsheet.addElement(table)
    document.save(path)
    return path


def _ods_cell(cell: Any) -> TableCell:
    if cell is None or cell == "":
        return TableCell()
    if isinstance(cell, date):
        return TableCell(valuetype="date", datevalue=cell.isoformat())
    if isinstance(cell, int | float):
        return TableCell(valuetype="float", value=str(cell))
    made = TableCell(valuetype="string")
    made.addElement(P(text=cell))
    return made


def change_part(path: Path, name: str, change: Callable[[bytes], bytes]) -> None:
    """Rewrites one part of a workbook."""
    with zipfile.ZipFile(path) as old:
        parts = [(info, old.read(info)) for info in old.infolist()]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for info, content in parts:
            new.writestr(info.filename, change(content) if info.filename == name else content)


def values(reading: Reading, table: str) -> list[dict[str, Any]]:
    """The rows' values, where nothing was wrong."""
    assert [problem.sentence() for problem in reading.problems] == []
    return [row.values for row in reading.tables.get(table, [])]


def first(path: Path, table: str = "units", **options: Any) -> dict[str, Any]:
    return values(read(path, **options), table)[0]


def said(reading: Reading) -> list[str]:
    return [problem.sentence() for problem in reading.problems]
