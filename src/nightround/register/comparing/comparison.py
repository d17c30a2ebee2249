"""One import on its way: what the file tells, what the register holds, what is to be written, what is wrong.

Nothing is written here. Each table's module adds to the plan and to the report.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from difflib import get_close_matches
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ...reckoning.dates import local_day
from ..changes import Change, Mention, Report, shown
from ..found import Reading, Row
from ..labelled import Settled
from ..plausible import Odd
from .known import Columns, Known

FIRST_TO_HAVE_A_DAY = "Pacific/Kiritimati"  # UTC+14: no place has a civil date earlier
_SUGGESTED = 20  # codes for which a close one is looked for; beyond that somebody took the wrong file
_MOST_CLOSE = 20_000  # codes among which that is quick enough


class Draft(NamedTuple):
    """A log entry as the file tells it. `number` is its number there, by which another may strike it."""

    unit: str
    at: datetime
    entry: str
    by: str
    readings: dict[str, str]
    part: dict[str, str]
    note: str
    number: str
    strikes: str
    file: str


@dataclass(slots=True)
class Plan:
    """What is to be written. Rows name sites, units and people by their codes (`site`, `unit`, `person`), because
    those that are new have no ids yet; changed rows carry their `id`.

    `roles`, `person_sites`: by person, where they are new or change. `entries`: new log entries, in order.
    `struck_known`: number in the file → id of the entry that is in the log already.
    `units`, `sites`: codes of those whose duties may move. `redigest`: units whose log must be read anew.
    `witnesses`: people on record whose last day, or where it is counted, changes.
    """

    new: dict[str, list[Columns]] = field(default_factory=dict)
    changed: dict[str, list[Columns]] = field(default_factory=dict)
    roles: dict[str, tuple[str, ...]] = field(default_factory=dict)
    person_sites: dict[str, tuple[str, ...]] = field(default_factory=dict)
    entries: list[Draft] = field(default_factory=list)
    numbered: dict[str, int] = field(default_factory=dict)
    units: set[str] = field(default_factory=set)
    sites: set[str] = field(default_factory=set)
    redigest_sites: set[str] = field(default_factory=set)
    redigest: set[str] = field(default_factory=set)
    displaced: list[int] = field(default_factory=list)
    witnesses: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Where:
    """Where a unit stands once the import is done."""

    site: str
    made_on: date | None


@dataclass(slots=True)
class Comparison:
    """`now` is the import's instant; `accept_odd` keeps implausible dates instead of refusing them."""

    reading: Reading
    known: Known
    now: datetime
    accept_odd: bool
    plan: Plan = field(default_factory=Plan)
    report: Report = field(default_factory=Report)
    zones: dict[str, str] = field(default_factory=dict)  # site → zone, of sites that the file tells of
    stands: dict[str, Where] = field(default_factory=dict)  # of units that the file tells of
    people: dict[str, Columns] = field(default_factory=dict)  # of people that the file tells of
    refused: frozenset[tuple[str, str, int | None, str]] = frozenset()
    unread: frozenset[str] = frozenset()  # tables of which the file has a sheet that could not be understood
    suggested: int = 0
    moved: set[str] = field(default_factory=set)  # units of which moves in the file's log say where they stand
    filled: int = 0  # empty cells that the codes of labels filled

    def rows(self, table: str) -> list[Row]:
        """What the file tells of one table."""
        return self.reading.tables.get(table, [])

    def source_of(self, row: Row) -> str:
        """Who published the row: the open data's area or name, or what --source says; "" for the fleet's own."""
        return row.source or self.reading.source

    def problem(self, row: Row, name: str, cure: str, value: object = None) -> None:
        """Adds a problem, unless the cell was refused already: then what is wrong with it has been said."""
        place = row.where
        if (place.file, place.sheet, place.row, row.headings.get(name, name)) not in self.refused:
            self.report.problems.append(row.problem(name, cure, value))

    def unknown(self, row: Row, name: str, table: str, code: str, others: Iterable[str], cure: str) -> None:
        """Says that a code is in neither the file nor the register, with the closest one that is."""
        if table in self.unread:
            return
        hint = ""
        if self.suggested < _SUGGESTED:
            self.suggested += 1
            close = closest(code, others)
            hint = f"; did you mean {close}?" if close else ""
        what = {"sites": "site", "units": "unit", "people": "person"}[table]
        self.problem(row, name, f"no {what} has this code, in the file or in the register: {cure}{hint}", code)

    def odd(self, row: Row, found: Iterable[Odd]) -> bool:
        """Refuses what is odd or, where that was asked for, keeps it and says so. True where something is."""
        any_odd = False
        for name, why in found:
            any_odd = True
            if self.accept_odd:
                self.report.odd.append(row.problem(name, f"{why}; kept as it is, marked as odd"))
            else:
                self.problem(row, name, f"{why}; correct it, or keep it with --accept-odd")
        return any_odd

    def heard(self, row: Row, settled: Settled) -> None:
        """Says what the code of a label contradicts or could not say. Nothing is refused for it."""
        column = row.headings.get("udi", "udi")
        where = f"the code in column {column}" if row.values.get("udi") else "the label's code on record (udi)"
        for one in settled.contradictions:
            name = one.field if row.values.get(one.field) is not None else "udi"
            # Where the file has no such cell, the typed value is the one on record.
            place = where if name != "udi" else f"on record is {one.typed}, and {where}"
            self.report.contradictions.append(row.problem(name, one.cure(place), one.typed if name != "udi" else None))
        if row.values.get("udi"):
            self.report.warnings += [row.problem("udi", warning) for warning in settled.warnings]
        if settled.filled:
            self.filled += len(settled.filled)

    def new(self, table: str, key: str, columns: Columns) -> None:
        """Plans a new row."""
        self.plan.new.setdefault(table, []).append(columns)
        self.report.count(table).added += 1
        self.report.added.append(Mention(table, key))

    def compare(self, table: str, key: str, old: Columns, new: Columns, names: Iterable[str]) -> list[str]:
        """Notes how the named columns change and gives those that do. An unchanged row is counted as one."""
        moved = [name for name in names if old[name] != new[name]]
        for name in moved:
            self.report.changes.append(Change(table, key, name, shown(old[name]), shown(new[name])))
        if moved:
            self.report.count(table).changed += 1
        else:
            self.report.count(table).unchanged += 1
        return moved

    def change(self, table: str, columns: Columns) -> None:
        """Plans that a row on record becomes this; `columns` holds its id."""
        self.plan.changed.setdefault(table, []).append(columns)

    def missing(self, table: str, key: str) -> None:
        """Notes a row on record of which the file says nothing."""
        self.report.count(table).missing += 1
        self.report.missing.append(Mention(table, key))

    def remark(self, sentence: str) -> None:
        self.report.remarks.append(sentence)

    def has_site(self, code: str) -> bool:
        return code in self.zones or code in self.known.sites

    def zone_of(self, site: str) -> str:
        """The zone of a site once the import is done."""
        zone = self.zones.get(site)
        return str(self.known.sites[site]["time_zone"]) if zone is None else zone

    def unit(self, code: str) -> Where | None:
        """Where a unit stands once the import is done; None where there is no such unit."""
        where = self.stands.get(code)
        if where is None and code in self.known.units:
            brief = self.known.units[code]
            where = self.stands[code] = Where(brief.site, brief.made_on)
        return where

    def person(self, code: str) -> Columns | None:
        """A person as they are once the import is done; None where there is no such person."""
        return self.people.get(code) or self.known.people.get(code)

    def today(self, site: str) -> date:
        """The civil date at a site."""
        return _local_day(self.now, self.zone_of(site))

    def latest_day(self) -> date:
        """The latest civil date anywhere: what was fitted where it is tomorrow may stand elsewhere by now."""
        return _local_day(self.now, FIRST_TO_HAVE_A_DAY)

    def to_come(self, row: Row, name: str, day: date | None) -> bool:
        """Refuses a day from which something is reckoned and that has come nowhere on earth yet. True where it is one.

        No insisting keeps it: the first day that is owed would be as far off as somebody mistyped it. A day that has
        come anywhere is taken, because a unit may have moved to where it is still the day before.
        """
        if day is None or day <= self.latest_day():
            return False
        self.problem(row, name, f"{day} is still to come; write the day on which it happened, or leave the cell empty")
        return True

    def twice(self, row: Row, name: str, first: Row) -> None:
        """Says that two rows of the file have the same key."""
        where = f"row {first.where.row}" + (f" of {first.where.sheet}" if first.where.sheet else "")
        self.problem(row, name, f"stands in {where} too; take one of the two out")


def merged(row: Row, old: Columns, fields: Iterable[tuple[str, Any]]) -> Columns:
    """What a row on record becomes: a field without a column stays, an empty cell makes it empty.

    `fields`: name and what stands for nothing there. Coordinates keep nine decimals, a tenth of a millimetre.
    """
    after = dict(old)
    values = row.values
    for name, nothing in fields:
        if name in values:
            value = values[name]
            after[name] = nothing if value is None else round(value, 9) if isinstance(value, float) else value
    return after


def text(row: Row, name: str) -> str:
    """A text of a row; "" where there is none."""
    value = row.values.get(name)
    return value if isinstance(value, str) else ""


def day(row: Row, name: str) -> date | None:
    """A day of a row."""
    value = row.values.get(name)
    return value if isinstance(value, date) else None


def closest(code: str, others: Iterable[str]) -> str | None:
    """The code that is written most like this one, case apart."""
    by_folded = {other.casefold(): other for other in others}
    folded = code.casefold()
    if folded in by_folded:
        return by_folded[folded]
    found = get_close_matches(folded, by_folded, 1, 0.75) if len(by_folded) <= _MOST_CLOSE else []
    return by_folded[found[0]] if found else None


def to_utc(at: datetime, zone: str) -> datetime:
    """An instant; a naive time is the zone's. One that the clock showed twice is the first, one that it skipped takes
    the offset from before the gap (RFC 5545 §3.3.5)."""
    aware = at if at.tzinfo is not None else at.replace(tzinfo=ZoneInfo(zone), fold=0)
    return aware.astimezone(UTC)


@lru_cache(maxsize=1024)
def _local_day(now: datetime, zone: str) -> date:
    return local_day(now, zone)
