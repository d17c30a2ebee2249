"""Reads register files into rows of typed values, with every problem found. It never writes and never guesses a date.

What one cell can be wrong about is checked here: dates, numbers and their ranges, words (part kinds, states, roles,
log entries, readings), time zones, mail addresses, lengths, control characters, a row without its key. What needs
another row or the database is left to whoever writes the rows: references, keys that come twice, plausibility, and
what a new row must have.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain, islice
from pathlib import Path

from ..errors import Problem, UserError
from ..files import Unfit, check_is_file
from .cells import Cell, bare
from .csvfiles import open_csv
from .days import ORDERS
from .found import TABLES, LabelDate, Place, Progress, Reading, Row, Value
from .geojson import open_geojson
from .grids import Grid
from .headings import normal, table_of
from .layouts import LAYOUTS, Layout, layout_of
from .mapping import Mapping, read_mapping
from .plans import Plan, known_headings, make_plan, place
from .rows import Sites, read_rows, remark_on_site_types
from .sheets import open_workbook
from .unread import say_what_is_lost

__all__ = ["TABLES", "LabelDate", "Place", "Progress", "Reading", "Row", "Value", "read"]

WORKBOOKS = (".xlsx", ".xlsm", ".ods")
TEXTS = (".csv", ".tsv", ".txt")
MAPS = (".geojson", ".json")
_HEADINGS_WITHIN = 10  # rows
_DATES_WITHIN = 1000  # rows of a sheet that is passed over
_SKIPPED = (
    "this sheet holds dates and is not read, and no other gives the dates of pads or batteries; name it 'parts' or "
    "'units', or say with --mapping FILE what it is (\"\" where it is not wanted)"
)


def read(
    path: Path,
    *,
    dates: str | None = None,
    mapping: Path | None = None,
    source: str | None = None,
    default_zone: str = "UTC",
    default_country: str = "",
    progress: Progress | None = None,
) -> Reading:
    """Reads a workbook (.xlsx, .ods), a folder of CSV files, one CSV file, or a map export (.geojson).

    `dates` says which order ambiguous dates have (day-first, month-first, iso); `mapping` is a TOML file that says
    what headings mean; `source` begins the unit codes of open data that has no area code. `default_zone` and
    `default_country` are passed on in `Reading.defaults`, for sites that are new and of which no file says it.
    Raises UserError where the file as a whole cannot be read; what is wrong with rows and cells is in `problems`.
    """
    if dates is not None and dates not in ORDERS:
        raise UserError(f"--dates {dates} is not known; use one of: {', '.join(ORDERS)}")
    known = read_mapping(mapping, tuple(LAYOUTS))
    reading = Reading(defaults={"time_zone": default_zone, "country": default_country})
    reading.source = source or known.source
    whole = _Whole(known, dates, source or known.source, reading)
    grids = whole.open(path)
    sheets = sorted(whole.prepare(grids), key=lambda sheet: TABLES.index(sheet.plan.table))
    if not sheets and not reading.problems:
        raise UserError(f"{path.name} holds nothing to import; give it a heading row with at least a column 'unit'")
    heights = [sheet.grid.height for sheet in sheets]
    total = None if None in heights else sum(height or 0 for height in heights)
    sites = Sites(reading)
    done = 0
    for sheet in sheets:
        counter = _Counter(done, total, progress)
        prefix = source or known.source or _prefix(sheet.grid.file)
        read_rows(sheet.grid, sheet.plan, sheet.body, known, prefix, sites, counter.tick)
        done += sheet.grid.height or 0
        if progress is not None:
            progress(done, total)
    remark_on_site_types(reading)
    if not any(sheet.plan.layout for sheet in sheets):
        say_what_is_lost(reading, [sheet.plan.unread for sheet in sheets if sheet.plan.unread], whole.skipped)
    return reading


@dataclass(slots=True)
class _Sheet:
    """A sheet whose headings are understood, and its rows below them."""

    grid: Grid
    plan: Plan
    body: Iterator[Sequence[Cell]]


@dataclass(slots=True)
class _Counter:
    done: int
    total: int | None
    tell: Progress | None

    def tick(self) -> None:
        self.done += 1000
        if self.tell is not None:
            self.tell(self.done if self.total is None else min(self.done, self.total), self.total)


class _Whole:
    """Everything one call of `read` knows."""

    def __init__(self, mapping: Mapping, order: str | None, source: str, reading: Reading) -> None:
        self._mapping = mapping
        self._order = order
        self._source = source
        self._reading = reading
        self._headings = known_headings(mapping)
        self.skipped: list[Problem] = []  # sheets that were passed over and hold dates

    def open(self, path: Path) -> list[Grid]:
        """The grids of a file or folder."""
        try:
            if path.is_dir():
                files = sorted(file for file in path.iterdir() if file.suffix.lower() in TEXTS)
                if not files:
                    raise UserError(f"{path} holds no CSV files; name them sites.csv, units.csv and so on")
                for file in files:
                    check_is_file(file)
                return [self._csv(file) for file in files]
            if not path.exists():
                raise UserError(f"{path} is not there; give a workbook, a folder of CSV files or a CSV file")
            check_is_file(path)
            suffix = path.suffix.lower()
            if suffix in WORKBOOKS:
                return open_workbook(path)
            if suffix in TEXTS:
                return [self._csv(path)]
            if suffix in MAPS:
                return [open_geojson(path, self._reading.remarks)]
        except Unfit as unfit:
            raise UserError(f"{file if path.is_dir() else path} {unfit}") from None
        except OSError as error:
            raise UserError(f"{path} cannot be read ({error.strerror}); correct its rights or give another") from None
        raise UserError(f"{path.name} is of no kind that can be read; save it as .xlsx, .ods or .csv")

    def _csv(self, path: Path) -> Grid:
        return open_csv(path, self._score, self._reading.problems, self._reading.remarks)

    def prepare(self, grids: list[Grid]) -> Iterator[_Sheet]:
        """The sheets that hold a table, with their headings understood."""
        filled = [(grid, *self._top(grid)) for grid in grids]
        filled = [item for item in filled if item[1]]
        for grid, top, rest in filled:
            start = self._headings_row(top)
            headings = frozenset(normal(bare(cell)) for cell in top[start] if cell != "")
            table = self._table(grid)
            if table == "":
                continue
            layout = self._layout(headings) if table in (None, "units") else None
            if table is None and (layout is not None or len(filled) == 1):
                table = "units"
            if table is None:
                names = ", ".join(TABLES)
                self._reading.remarks.append(f"{place(grid)}: not read, for its name is no table's ({names})")
                if any(isinstance(cell, date) for row in chain(top, islice(rest, _DATES_WITHIN)) for cell in row):
                    self.skipped.append(Problem(grid.file, grid.sheet, None, "", "", _SKIPPED))
                continue
            if start:
                self._reading.remarks.append(f"{place(grid)}: the headings were found in row {start + 1}")
            if layout is not None:
                self._announce(grid, layout)
            plan = make_plan(grid, table, start + 1, top[start], layout, self._mapping, self._order, self._reading)
            if plan is not None:
                yield _Sheet(grid, plan, chain(top[start + 1 :], rest))

    def _top(self, grid: Grid) -> tuple[list[Sequence[Cell]], Iterator[Sequence[Cell]]]:
        """The first rows, up to and with the last that can be the headings, and the rest. No rows: an empty sheet."""
        rows = iter(grid.rows)
        top = list(islice(rows, _HEADINGS_WITHIN))
        while top and not any(any(cell != "" for cell in row) for row in top):
            more = list(islice(rows, _HEADINGS_WITHIN))
            if not more:
                return [], rows
            top += more
        return top, rows

    def _headings_row(self, top: list[Sequence[Cell]]) -> int:
        """The index of the headings: the first row that is not empty, unless it means nothing and a later one does."""
        first = next(number for number, row in enumerate(top) if any(cell != "" for cell in row))
        if self._score(top[first]) == 0:
            best = max(range(len(top)), key=lambda number: self._score(top[number]))
            if self._score(top[best]) >= 2:
                return best
        return first

    def _score(self, cells: Sequence[Cell]) -> int:
        """How many of the cells are headings that mean something."""
        return sum(isinstance(cell, str) and normal(cell) in self._headings for cell in cells)

    def _table(self, grid: Grid) -> str | None:
        """The table a sheet holds by its name: None where the name says nothing, "" where it is not to be read."""
        name = grid.sheet or Path(grid.file).stem
        return self._mapping.sheets.get(normal(name), table_of(name))

    def _layout(self, headings: frozenset[str]) -> Layout | None:
        if self._mapping.layout is None:
            return layout_of(headings)
        return LAYOUTS.get(self._mapping.layout)

    def _announce(self, grid: Grid, layout: Layout) -> None:
        remarks = self._reading.remarks
        held = "".join(f"; {value}" for value in layout.site_constants.values())
        remarks.append(f"{place(grid)}: read as: {layout.title} (one row is one unit{held})")
        if not layout.told_where:
            zone = self._reading.defaults["time_zone"]
            remarks.append(
                f"{place(grid)}: the file says no time zone, so new sites get {zone}; say another with a --mapping "
                'that has [constants] "sites.time_zone"'
            )
        if not self._source and not layout.has_area:
            prefix = _prefix(grid.file)
            remarks.append(
                f"{place(grid)}: unit codes begin with {prefix!r}, the file's name; when a later file has another "
                f"name, say --source {prefix}"
            )


def _prefix(file: str) -> str:
    """What begins the unit codes of a file whose publisher nobody named: its name."""
    stem = unicodedata.normalize("NFKC", Path(file).stem)
    return re.sub(r"[\s/\\]+", "-", stem).strip("-") or "open-data"
