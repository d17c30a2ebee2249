"""Turns the rows of one sheet into rows for the register's tables, by its plan. It stops at nothing and says all.

A row of a units sheet may also tell of its site and of the parts in it: those become rows of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from ..errors import Problem
from ..reckoning.site_types import SITE_TYPES
from .cells import Cell, Refused, bare, line
from .fields import KEYS
from .found import Place, Reading, Row, Value
from .grids import Grid
from .headings import normal
from .layouts import Flat, site_mark
from .mapping import Mapping
from .plans import Plan, nameless_remark, place
from .statuses import GOOD, meaning

_ADULT = ("pads-adult", "pads-universal")


@dataclass(slots=True)
class Sites:
    """The sites found so far by code, so that a site told of in several rows is one row."""

    reading: Reading
    by_code: dict[str, Row] = field(default_factory=dict)

    def tell(self, row: Row, *, strictly: bool) -> None:
        """Adds what a row says of a site; where an earlier row said otherwise, that is a problem if `strictly`."""
        code = row.values["site"]
        if not isinstance(code, str):
            return
        known = self.by_code.get(code)
        if known is None:
            self.by_code[code] = row
            self.reading.tables.setdefault("sites", []).append(row)
            return
        for name, value in row.values.items():
            old = known.values.get(name)
            if old is None:
                known.values[name] = value
                known.headings.setdefault(name, row.headings.get(name, name))
            elif strictly and value is not None and value != old:
                where = f"row {known.where.row}" + (f" of {known.where.sheet}" if known.where.sheet else "")
                cure = f"site {code} has {old!r} in {where}; make them the same, or give each site a code of its own"
                self.reading.problems.append(row.problem(name, cure))


def read_rows(
    grid: Grid,
    plan: Plan,
    body: Iterable[Sequence[Cell]],
    mapping: Mapping,
    source: str,
    sites: Sites,
    tick: Callable[[], None],
) -> None:
    """Reads the rows below the headings into `sites.reading`. `tick` is called every thousand rows."""
    _Reader(grid, plan, mapping, source, sites).read(body, tick)


class _Reader:
    def __init__(self, grid: Grid, plan: Plan, mapping: Mapping, source: str, sites: Sites) -> None:
        self._grid = grid
        self._plan = plan
        self._source = source
        self._sites = sites
        self._reading = sites.reading
        self._constants = mapping.constants.get(plan.table, {})
        self._site_constants = mapping.constants.get("sites", {})
        self._site_headings = plan.headings_of("sites")
        self._part_kinds = list(
            dict.fromkeys(name.split(".")[1] for name in plan.headings if name.startswith("parts."))
        )
        self._part_headings = {kind: plan.headings_of(f"parts.{kind}") for kind in self._part_kinds}
        self._dotted = plan.dotted
        self._told: dict[str, dict[str, int]] = {}
        # Headings of composed values, for problems found later.
        headings = plan.headings
        if plan.layout is not None:
            headings.setdefault("unit", headings.get("open.number", "unit"))
            headings.setdefault("site", self._site_headings.get("name", "site"))
        elif "site" not in headings:
            headings.setdefault("site", self._site_headings.get("name", self._site_headings.get("address", "site")))
        self._site_headings.setdefault("site", headings["site"])

    def read(self, body: Iterable[Sequence[Cell]], tick: Callable[[], None]) -> None:
        columns = [(column.index, column.target, column.read) for column in self._plan.columns]
        faults, unread = self._grid.faults, self._plan.unread
        emit = self._emit_unit if self._plan.table == "units" else self._emit
        plan = self._plan
        number = plan.row
        for cells in body:
            number += 1
            if number % 1000 == 0:
                tick()
            width = len(cells)
            values: Flat = {}
            refused: set[str] = set()
            empty = True
            for index, target, read in columns:
                cell = cells[index] if index < width else ""
                if cell == "":
                    values[target] = None
                    if faults and (number - 1, index) in faults:
                        refused.add(target)
                        self._problem(number, index, "", faults[number - 1, index])
                    continue
                try:
                    value = read(cell)
                except Refused as wrong:
                    refused.add(target)
                    values[target] = None
                    self._problem(number, index, bare(cell), str(wrong))
                else:
                    values[target] = value
                    if value is not None:
                        empty = False
            if plan.nameless or width > plan.width:
                self._nameless(number, cells)
            if unread:
                unread.look(cells)
            if empty and not refused:
                continue
            emit(number, cells, values, refused)
        self._remark(number)

    def _problem(self, row: int, index: int, value: str, cure: str) -> None:
        heading = next(column.heading for column in self._plan.columns if column.index == index)
        shown = value if len(value) <= 80 else value[:79] + "…"
        self._reading.problems.append(Problem(self._grid.file, self._grid.sheet, row, heading, shown, cure))

    def _nameless(self, number: int, cells: Sequence[Cell]) -> None:
        width = self._plan.width
        beyond = [index for index in range(width, len(cells)) if cells[index] != ""]
        if beyond and not self._grid.sheet:
            # In a CSV file this is a delimiter inside a text that nobody quoted: every field after it is another's.
            cure = f"has more cells than there are headings ({width}); put a text with the delimiter in it in quotes"
            self._reading.problems.append(Problem(self._grid.file, "", number, "", str(cells[beyond[0]])[:80], cure))
            return
        found = {index for index in self._plan.nameless if index < len(cells) and cells[index] != ""}
        for index in sorted(found | set(beyond)):
            remark = nameless_remark(self._grid, index)
            if remark not in self._reading.remarks:
                self._reading.remarks.append(remark)
        self._plan.nameless -= found

    def _emit(self, number: int, _: Sequence[Cell], values: Flat, refused: set[str]) -> None:
        table = self._plan.table
        for name, value in self._constants.items():
            values.setdefault(name, value)
        row = Row(Place(self._grid.file, self._grid.sheet, number), values, self._plan.headings)
        for key in KEYS[table]:
            if values.get(key) is None and key not in refused:
                self._reading.problems.append(row.problem(key, f"is empty; every row needs its {key}"))
        if table == "parts":
            self._complete_part(row, refused)
        elif table == "sites":
            code = values.get("site")
            if isinstance(code, str):
                self._sites.by_code.setdefault(code, row)
        self._reading.tables.setdefault(table, []).append(row)

    def _complete_part(self, row: Row, refused: set[str]) -> None:
        values = row.values
        unit, site = values.get("unit"), values.get("site")
        if unit is None and site is None and not {"unit", "site"} & refused:
            cure = "says neither a unit nor a site; write the unit it is in, or the site that keeps it"
            self._reading.problems.append(row.problem("unit" if "unit" in row.headings else "site", cure))
        if values.get("state") is None and "state" not in refused:
            values["state"] = "spare" if unit is None else "fitted"

    def _emit_unit(self, number: int, cells: Sequence[Cell], values: Flat, refused: set[str]) -> None:
        plan = self._plan
        where = Place(self._grid.file, self._grid.sheet, number)
        for name, value in self._constants.items():
            values.setdefault(name, value)
        if plan.layout is not None:
            try:
                plan.layout.compose(values, self._source)
            except Refused as wrong:
                if not refused:
                    heading = plan.headings.get("open.number", "")
                    self._reading.problems.append(Problem(where.file, where.sheet, number, heading, "", str(wrong)))
                return
            for name, constant in plan.layout.site_constants.items():
                values.setdefault(name, constant)
        if plan.kept:
            self._keep(number, cells, values)
        if values.get("unit") is None:
            if "unit" not in refused:
                problem = Row(where, values, plan.headings).problem("unit", "is empty; every row needs its unit")
                self._reading.problems.append(problem)
            return
        if self._site_headings.keys() - {"site"} or self._site_constants:
            self._emit_site(where, values)
        if self._part_kinds:
            self._emit_parts(where, values, refused)
        own = {name: value for name, value in values.items() if "." not in name} if self._dotted else values
        self._reading.tables.setdefault("units", []).append(Row(where, own, plan.headings, _source(values)))

    def _emit_site(self, where: Place, values: Flat) -> None:
        if values.get("site") is None:
            # A site nobody gave a code is known by its name, or by its address.
            name, address = values.get("sites.name"), values.get("sites.address")
            code = name or address
            if not isinstance(code, str):
                return
            values["site"] = code if len(code) <= 64 else site_mark(code, "")
        # A side column left empty says nothing of the site; it must not wipe what is known.
        told: dict[str, Value] = {"site": values["site"]}
        for name, value in values.items():
            if value is not None and name.startswith("sites."):
                told[name[6:]] = value
        for name, value in self._site_constants.items():
            told.setdefault(name, value)
        self._sites.tell(Row(where, told, self._site_headings, _source(values)), strictly=self._plan.layout is None)

    def _emit_parts(self, where: Place, values: Flat, refused: set[str]) -> None:
        """A row for each part the sheet has columns for. Pads and battery that nothing is said of are rows too, so
        that what was known of them before does not stay; other parts only where something is said."""
        made: dict[str, Row] = {}
        for kind in self._part_kinds:
            start = f"parts.{kind}."
            told = {name[len(start) :]: value for name, value in values.items() if name.startswith(start)}
            said = any(value is not None for value in told.values()) or any(name.startswith(start) for name in refused)
            if said or kind == "battery":
                made[kind] = self._part(where, values, kind, told)
        adult = [kind for kind in _ADULT if kind in self._part_kinds]
        if adult and not any(kind in made for kind in adult):
            start = f"parts.{adult[0]}."
            told = dict.fromkeys(name[len(start) :] for name in values if name.startswith(start))
            made[adult[0]] = self._part(where, values, adult[0], told)
        self._reading.tables.setdefault("parts", []).extend(made.values())

    def _part(self, where: Place, values: Flat, kind: str, told: dict[str, Value]) -> Row:
        told = {"unit": values["unit"], "kind": kind, "state": "fitted"} | told
        return Row(where, told, self._part_headings[kind])

    def _keep(self, number: int, cells: Sequence[Cell], values: Flat) -> None:
        """Puts the columns that have no field into the notes, each behind its heading."""
        notes = values.get("notes")
        found = [notes] if isinstance(notes, str) else []
        told = self._plan.layout.told if self._plan.layout else ()
        for index, heading in self._plan.kept:
            cell = cells[index] if index < len(cells) else ""
            try:
                text = None if cell == "" else line(cell)
            except Refused as wrong:
                self._reading.problems.append(
                    Problem(self._grid.file, self._grid.sheet, number, heading, bare(cell)[:80], str(wrong))
                )
                continue
            if text is not None:
                found.append(f"{heading}: {text}")
                if (
                    self._plan.layout
                    and normal(heading) == self._plan.layout.status
                    and meaning(text) not in (None, GOOD)
                ):
                    values["status"] = text
            if normal(heading) in told:
                counts = self._told.setdefault(heading, {})
                counts[text or "(empty)"] = counts.get(text or "(empty)", 0) + 1
        values["notes"] = "; ".join(found) or None

    def _remark(self, last: int) -> None:
        """What a person should know of the sheet as a whole."""
        remarks, where = self._reading.remarks, place(self._grid)
        for column in self._plan.columns:
            days, name = column.days, f"{where}: column {column.heading!r}"
            if days.serials:
                remarks.append(f"{name} holds bare numbers, read as days counted from {days.epoch_year}")
            if days.months_only:
                remarks.append(f"{name} holds months without a day, read as the first day of the month")
            if days.firsts:
                remarks.append(
                    f"{name} holds {days.firsts} date cells on the first of a month, read as that day; where the label "
                    "says the month only, make the cell text and write 2027-02"
                )
        for heading, counts in self._told.items():
            told = ", ".join(f"{value} {count}" for value, count in sorted(counts.items()))
            remarks.append(f"{where}: {heading}, kept in the notes: {told}")


def _source(values: Flat) -> str:
    source = values.get("open.source")
    return source if isinstance(source, str) else ""


def remark_on_site_types(reading: Reading) -> None:
    """Says which kinds of site no rule can know."""
    types = {row.values.get("site_type") for row in reading.tables.get("sites", ())} - {None, *SITE_TYPES}
    if types:
        known = ", ".join(SITE_TYPES)
        names = ", ".join(sorted(repr(name) for name in types))
        reading.remarks.append(f"site_type {names}: no rule is about sites of that kind; rules know {known}")
