"""Where an export goes: a folder of CSV files or a workbook. Each is made beside its place and put there when whole.

CSV is UTF-8 with a byte order mark: without it the common spreadsheets take the letters for those of the machine's
own code page. Nothing that is there already is overwritten.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any, Protocol

import xlsxwriter

from ..errors import UserError
from ..store.workshop import put_there, workshop
from .cells import LONGEST
from .grids import MOST_CELLS, MOST_ROWS
from .spelling import number_text

Out = str | float | date | None

_WIDTH = 14  # characters; wider where the heading is
_NUMBERS = ("latitude", "longitude", "responders")
_OTHERS = (".csv", ".tsv", ".txt", ".ods", ".xls", ".xlsm", ".json")


class Sink(Protocol):
    """Takes one table after the other."""

    def begin(self, table: str, columns: Sequence[str]) -> None:
        """The next table, with its headings."""

    def row(self, cells: Sequence[Out]) -> None:
        """The next row. A text is written as it is: whoever gives it has made it harmless."""


@contextmanager
def open_sink(target: Path, now: datetime) -> Iterator[Sink]:
    """What the target's name asks for. The target is there when the block ends without an error, else nothing is.

    Raises UserError where something is there already, or cannot be written.
    """
    target = target.absolute()
    book = target.suffix.lower() == ".xlsx"
    if target.suffix.lower() in _OTHERS:
        raise UserError(
            f"{target.name}: an export is a workbook (FILE.xlsx) or a folder of CSV files; name one of these"
        )
    if book and os.path.lexists(target):
        raise UserError(f"{target} is there already and is left as it is; name another file, or move it away")
    if not book and os.path.lexists(target) and (not target.is_dir() or any(target.iterdir())):
        raise UserError(f"{target} is there already and is left as it is; name a folder that is empty or not there yet")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        made = ExitStack()
        bench = made.enter_context(workshop(target.parent))
    except OSError as error:
        raise UserError(f"{target.parent} cannot be written to ({error.strerror}); name another place") from None
    try:
        if book:
            with _Workbook(bench / "export.xlsx", bench, now) as sink:
                yield sink
            (bench / "export.xlsx").chmod(0o600)
            put_there(bench / "export.xlsx", target)
        else:
            folder = bench / "export"
            folder.mkdir(mode=0o700)
            with _Folder(folder) as files:
                yield files
            folder.rename(target)  # over an empty folder too
    except OSError as error:
        raise UserError(f"{target} cannot be written ({error.strerror}); make room, or name another place") from None
    finally:
        made.close()


class _Folder:
    """A CSV file a table."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file: Any = None
        self._writer: Any = None

    def __enter__(self) -> _Folder:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def begin(self, table: str, columns: Sequence[str]) -> None:
        self.__exit__()
        self._file = (self._folder / f"{table}.csv").open("w", encoding="utf-8-sig", newline="")
        self._writer = csv.writer(self._file)
        self._writer.writerow(columns)

    def row(self, cells: Sequence[Out]) -> None:
        self._writer.writerow([_csv_cell(cell) for cell in cells])


def _csv_cell(cell: Out) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return number_text(cell)
    return cell.isoformat() if isinstance(cell, date) else cell


class _Workbook:
    """A sheet a table. Columns of codes and of label dates are text, so that a spreadsheet makes nothing else of what
    is typed there later: 007 stays 007, and 2027-04 is no first of April."""

    def __init__(self, file: Path, bench: Path, now: datetime) -> None:
        options = {"constant_memory": True, "tmpdir": str(bench)}
        self._book = xlsxwriter.Workbook(str(file), options)
        self._book.set_properties({"created": now.replace(tzinfo=None)})
        self._text = self._book.add_format({"num_format": "@"})
        self._day = self._book.add_format({"num_format": "yyyy-mm-dd"})
        self._heading = self._book.add_format({"bold": True, "num_format": "@"})
        self._sheet: Any = None
        self._table = ""
        self._columns: Sequence[str] = ()
        self._next = self._cells = 0

    def __enter__(self) -> _Workbook:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self._book.close()
        else:
            self._book.fileclosed = True  # nothing is to be written any more

    def begin(self, table: str, columns: Sequence[str]) -> None:
        self._table, self._columns, self._next = table, columns, 1
        self._cells = len(columns)
        self._sheet = self._book.add_worksheet(table)
        self._sheet.freeze_panes(1, 0)
        for place, column in enumerate(columns):
            style = self._day if column.endswith("_on") else None if column in _NUMBERS else self._text
            self._sheet.set_column(place, place, max(_WIDTH, len(column) + 2), style)
        for place, column in enumerate(columns):
            self._sheet.write_string(0, place, column, self._heading)

    def row(self, cells: Sequence[Out]) -> None:
        if self._next >= MOST_ROWS:
            raise UserError(
                f"{self._table} has more rows than a sheet can hold ({MOST_ROWS}); export to a folder instead"
            )
        for place, cell in enumerate(cells):
            if cell is None or cell == "":
                continue
            self._cells += 1
            if isinstance(cell, float | int):
                self._sheet.write_number(self._next, place, cell)
            elif isinstance(cell, date):
                self._sheet.write_datetime(self._next, place, cell, self._day)
            elif self._sheet.write_string(self._next, place, cell, self._text) != 0:
                raise UserError(
                    f"{self._table}, row {self._next + 1}: {self._columns[place]} has {len(cell)} characters; a cell "
                    f"holds {LONGEST}, so export to a folder instead"
                )
        if self._cells > MOST_CELLS:
            raise UserError(
                f"{self._table} has more cells than a sheet may have to be read again ({MOST_CELLS}); export to a "
                "folder instead"
            )
        self._next += 1
