"""Columns that nothing is known of, watched for what must not be lost: dates of pads and batteries, and bad news.

Whatever is dropped here would let a unit look better than the file says, so it is a problem and no remark.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date

from ..errors import Problem
from . import statuses
from .cells import Cell, Refused, bare
from .days import Days
from .found import LabelDate, Reading
from .headings import normal

WATCHED = ("units", "parts", "log")

_PADS = ("pad", "elektrod", "electrod", "パッド", "電極")
_BATTERY = ("batter", "akku", "pile", "バッテリ", "電池")
_EXPIRY = ("expir", "useby", "goodunt", "ablauf", "verfall", "haltbar", "mhd", "peremption", "期限")
_CURE = 'or say with --mapping FILE what the column is ("" where it is not wanted)'


@dataclass(slots=True)
class _Column:
    heading: str
    asks: bool  # the heading is good news itself ("passed"), so that a no below it is bad
    dates: int = 0
    others: int = 0
    numbers: int = 0  # also those that may be a spreadsheet's bare days
    example: str = ""
    bad: dict[str, int] = field(default_factory=dict)

    @property
    def holds_dates(self) -> bool:
        return self.dates > 0 and self.dates >= self.others

    def sounds(self, words: Iterable[str]) -> bool:
        heading = normal(self.heading)
        return any(word in heading for word in words)


class Unread:
    """The columns of one sheet that are not read. `row` is that of its headings, as a spreadsheet counts."""

    def __init__(self, table: str, file: str, sheet: str, row: int, headings: dict[int, str]) -> None:
        self.table = table
        self._place = (file, sheet, row)
        self._columns = {index: _Column(heading, statuses.is_good(heading)) for index, heading in headings.items()}
        self._days = Days()
        self._seen: dict[str, str] = {}

    def look(self, cells: Sequence[Cell]) -> None:
        """Looks at the cells of one row."""
        for index, column in self._columns.items():
            cell = cells[index] if index < len(cells) else ""
            if cell == "":
                continue
            kind = self._kind(cell)
            if column.asks and statuses.is_no(bare(cell)):
                kind = "bad"
            if kind == "date":
                column.dates += 1
                column.example = column.example or bare(cell)[:40]
            elif kind == "number":
                column.numbers += 1
            else:
                column.others += 1
                if kind == "bad":
                    column.bad[bare(cell)[:40]] = column.bad.get(bare(cell)[:40], 0) + 1

    def bad_news(self) -> list[Problem]:
        """A problem for each column with words that say that something is out of service or was found faulty."""
        return [self._problem([column], _BAD[self.table], ", ".join(column.bad)) for column in self._bad()]

    def dates(self, pads: bool, battery: bool) -> Problem | None:
        """A problem where a column may hold the dates of pads or of batteries, of which the file gives none.

        `pads`, `battery`: whether a column that is read gave a date of theirs.
        """
        found = [column for column in self._columns.values() if self._may_be_lost(column, pads, battery)]
        if self.table == "log" or not found:
            return None
        what = "pads or batteries" if pads == battery else "batteries" if pads else "pads"
        names = "'label_date'" if self.table == "parts" else "'pads expiry' or 'battery expiry'"
        cure = (
            f"holds dates and is not read, and no column gives the dates of {what}; name it {names}, or what else it "
            f"is, {_CURE}"
        )
        if pads and battery:
            cure = f"sounds as if it held expiry dates and is not read; name it {names}, {_CURE}"
        return self._problem(found, cure, next((column.example for column in found if column.example), ""))

    def _kind(self, cell: Cell) -> str:
        if not isinstance(cell, str):
            return "date" if isinstance(cell, date) else "number" if isinstance(cell, int | float) else "other"
        known = self._seen.get(cell)
        if known is None:
            known = self._seen[cell] = self._kind_of_text(cell)
        return known

    def _kind_of_text(self, cell: str) -> str:
        text = bare(cell)
        if text.isdecimal() and len(text) < 8:
            return "number"
        try:
            return "other" if self._days.label(cell) is None else "date"
        except Refused as refused:
            # A date all the same: only in which order, or of which century, is not plain.
            if str(refused).startswith("can be "):
                return "date"
        return "bad" if statuses.is_bad(text) else "other"

    def _may_be_lost(self, column: _Column, pads: bool, battery: bool) -> bool:
        of_pads, of_battery = column.sounds(_PADS), column.sounds(_BATTERY)
        dated = column.holds_dates or (column.numbers > 0 and column.sounds(_EXPIRY))
        if not pads and not battery:
            return dated or (column.numbers > 0 and (of_pads or of_battery))
        if (of_pads and not pads) or (of_battery and not battery):
            return dated
        return dated and column.sounds(_EXPIRY)

    def _bad(self) -> list[_Column]:
        return [column for column in self._columns.values() if column.bad]

    def _problem(self, columns: Sequence[_Column], cure: str, value: str) -> Problem:
        file, sheet, row = self._place
        return Problem(file, sheet, row, ", ".join(column.heading for column in columns), value, cure)


_BAD = {
    "units": "says that a unit is out of service and is not read, so the unit would be shown in service; name the "
    f"column 'status', {_CURE}",
    "parts": f"says that a part is not to be used and is not read; write 'removed' in column 'state', {_CURE}",
    "log": "says that something was found faulty and is not read, so the entry would count as good; write it in column "
    f"'readings', such as self-test=fault, or as an entry 'fault', {_CURE}",
}


def say_what_is_lost(reading: Reading, unread: Sequence[Unread], skipped: Sequence[Problem]) -> None:
    """Adds the problems of all sheets. `skipped`: what is wrong where a sheet that was passed over holds dates, of
    which no other gives any."""
    pads = battery = False
    for row in reading.tables.get("parts", ()):
        if isinstance(row.values.get("label_date"), LabelDate) or row.values.get("udi"):
            kind = str(row.values.get("kind"))
            pads, battery = pads or kind.startswith("pads-"), battery or kind == "battery"
    for sheet in unread:
        reading.problems += sheet.bad_news()
        lost = sheet.dates(pads, battery)
        if lost is not None:
            reading.problems.append(lost)
    if not pads and not battery:
        reading.problems += skipped
