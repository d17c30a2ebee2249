"""Understands the headings of one sheet, once: which column is which field and how its cells are read.

It looks at headings only. Columns that mean nothing here are told of, those that mean the same are a problem.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ..errors import Problem
from .cells import Cell, bare
from .days import Days
from .fields import FIELDS, KEYS, Convert, Field, converter
from .found import TABLES, Reading
from .grids import Grid, column_name
from .headings import normal, targets
from .layouts import LAYOUTS, OPEN_FIELDS, Layout
from .mapping import NOTES_TOO, Mapping
from .unread import WATCHED, Unread

_SAYS_ADULT = ("adult", "erwachsen", "成人")


@dataclass(slots=True)
class Column:
    """One column that is read. `target` is a field, or `sites.FIELD`, `parts.KIND.FIELD`, `open.…`."""

    index: int
    heading: str
    target: str
    read: Convert
    days: Days


@dataclass(slots=True)
class Plan:
    """How the rows of one sheet are read. `row` is that of the headings, as a spreadsheet counts."""

    table: str
    row: int
    width: int
    layout: Layout | None
    columns: list[Column] = field(default_factory=list)
    kept: list[tuple[int, str]] = field(default_factory=list)  # columns that go into the notes, with their headings
    nameless: set[int] = field(default_factory=set)  # columns without a heading, until something is found in one
    headings: dict[str, str] = field(default_factory=dict)  # target → heading, for problems
    unread: Unread | None = None  # the columns that nothing is known of, where one may hold what must not be lost

    @property
    def dotted(self) -> bool:
        """Whether rows hold more than the table's own fields."""
        return self.layout is not None or any("." in target for target in self.headings)

    def headings_of(self, room: str) -> dict[str, str]:
        """Field → heading for the rows that a units sheet holds for another table: `sites`, `parts.battery`."""
        start = f"{room}."
        return {name[len(start) :]: heading for name, heading in self.headings.items() if name.startswith(start)}


def known_headings(mapping: Mapping) -> dict[str, str]:
    """Every normalised heading that means something somewhere."""
    known: dict[str, str] = {}
    for table in TABLES:
        known |= targets(table) | mapping.headings.get(table, {})
    for layout in LAYOUTS.values():
        known |= layout.columns
    known.pop("", None)
    return known


def make_plan(
    grid: Grid,
    table: str,
    row: int,
    cells: Sequence[Cell],
    layout: Layout | None,
    mapping: Mapping,
    order: str | None,
    reading: Reading,
) -> Plan | None:
    """The plan for a sheet whose headings are known; None, with the problem said, where its key has no column."""
    headings = [bare(cell) if cell != "" else "" for cell in cells]
    while headings and not headings[-1]:
        headings.pop()
    plan = Plan(table, row, len(headings), layout)
    taken = _assign(grid, plan, headings, mapping, reading)
    for target, index in sorted(taken.items(), key=lambda item: item[1]):
        days = Days(order, from_1904=grid.from_1904)
        plan.columns.append(Column(index, headings[index], target, converter(_field(table, target), days), days))
        plan.headings[target] = headings[index]
        if target.startswith("parts.pads-adult.") and not any(word in normal(headings[index]) for word in _SAYS_ADULT):
            reading.remarks.append(f"{place(grid)}: column {headings[index]!r} is read as that of the adult pads")
    missing = _missing(plan)
    if missing:
        cure = f"no column says the {missing}; name a column {missing!r}, or say with --mapping which one it is"
        reading.problems.append(Problem(grid.file, grid.sheet, row, "", "", cure))
        return None
    return plan


def place(grid: Grid) -> str:
    """File and sheet, for remarks."""
    return f"{grid.file}, sheet {grid.sheet}" if grid.sheet else grid.file


def _assign(grid: Grid, plan: Plan, headings: list[str], mapping: Mapping, reading: Reading) -> dict[str, int]:
    """Target → column. Everything else is kept, nameless or remarked on."""
    layout = plan.layout
    ours = dict(layout.columns) if layout else targets(plan.table)
    theirs = mapping.headings.get(plan.table, {})
    taken: dict[str, int] = {}
    unknown: dict[int, str] = {}
    for index, heading in _by_rank(headings, layout):
        name = normal(heading)
        target = theirs.get(name, ours.get(name))
        if not heading:
            plan.nameless.add(index)
        elif target == "":
            continue
        elif target == NOTES_TOO or (target is None and layout is not None):
            plan.kept.append((index, heading))
        elif target is None:
            unknown[index] = heading
        elif target not in taken:
            taken[target] = index
        elif layout is not None and name not in theirs:
            plan.kept.append((index, heading))
        else:
            both = f"{headings[taken[target]]}, {heading}"
            cure = f"both columns mean {target}; take one out, or say with --mapping what they are"
            reading.problems.append(Problem(grid.file, grid.sheet, plan.row, both, "", cure))
    plan.kept.sort()
    if unknown:
        names = ", ".join(repr(heading) for heading in unknown.values())
        reading.remarks.append(f"{place(grid)}: not read, for nothing is known by that heading: {names}")
    if layout is None and (unknown or plan.nameless) and plan.table in WATCHED:
        nameless = {index: f"{column_name(index)} (without a heading)" for index in plan.nameless}
        plan.unread = Unread(plan.table, grid.file, grid.sheet, plan.row, unknown | nameless)
    return taken


def _by_rank(headings: list[str], layout: Layout | None) -> list[tuple[int, str]]:
    """The columns; in a layout, where two headings can mean one field, the better one first."""
    if layout is None:
        return list(enumerate(headings))
    rank = {name: number for number, name in enumerate(layout.columns)}
    return sorted(enumerate(headings), key=lambda item: (rank.get(normal(item[1]), len(rank)), item[0]))


def _field(table: str, target: str) -> Field:
    if target in OPEN_FIELDS:
        return OPEN_FIELDS[target]
    room, _, rest = target.partition(".")
    if not rest:
        return FIELDS[table][target]
    return FIELDS[room][rest.rpartition(".")[2]]


def _missing(plan: Plan) -> str:
    """The key that no column says; "" where all are there."""
    if plan.layout is not None:
        return "" if "open.number" in plan.headings else "unit"
    if plan.table == "parts" and "unit" not in plan.headings and "site" not in plan.headings:
        return "unit"
    return next((key for key in KEYS[plan.table] if key not in plan.headings), "")


def nameless_remark(grid: Grid, index: int) -> str:
    """What is said of a column without a heading in which something stands."""
    return f"{place(grid)}: column {column_name(index)} has no heading, so what stands in it is not read"
