"""What reading a register file gives: rows of typed values, problems, remarks. Plain values, no behaviour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime

from ..errors import Problem

TABLES = ("sites", "units", "parts", "people", "training", "log", "rota", "absences", "closures")

Progress = Callable[[int, int | None], None]


@dataclass(frozen=True, slots=True)
class LabelDate:
    """A date as it stands on a label or card. `last_good_day`: of a year and month, the last day of that month."""

    raw: str
    last_good_day: date


Value = str | date | datetime | float | LabelDate | dict[str, str] | tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row stands. `row` counts as a spreadsheet does: the headings are row 1."""

    file: str
    sheet: str
    row: int


@dataclass(slots=True)
class Row:
    """One row for one table.

    A field that the file has no column for is absent from `values` and must not overwrite anything; an empty cell is
    None. Defaults for a new row (a new site's zone and country) are not filled in here. An instant is naive where
    the file names no zone: it is then local to the site. `headings`: field → heading as the file spells it.
    `source`: who published the row, in open data: what its unit codes begin with.
    """

    where: Place
    values: dict[str, Value]
    headings: dict[str, str]
    source: str = ""

    def problem(self, name: str, cure: str, value: object = None) -> Problem:
        """What is wrong with one of this row's fields, said so that a person can act on it."""
        shown = self.values.get(name) if value is None else value
        if isinstance(shown, LabelDate):
            shown = shown.raw
        where = self.where
        column = self.headings.get(name, name)
        return Problem(where.file, where.sheet, where.row, column, "" if shown is None else str(shown), cure)


@dataclass(slots=True)
class Reading:
    """What a file holds: rows by table, in the file's order; everything wrong; and what a person should know.

    `defaults`: what a site that is new gets where no file says it (time_zone, country). Rows never hold them.
    `source`: who published all of it, where --source or the mapping says so; open data's rows say it themselves.
    """

    tables: dict[str, list[Row]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    defaults: dict[str, str] = field(default_factory=dict)
    source: str = ""
