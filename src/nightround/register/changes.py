"""What an import does, said so that a person can follow it: added, changed (old → new), missing, odd, wrong.

Plain values; nothing here looks at a file or a database.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from ..errors import Problem
from .found import TABLES


@dataclass(frozen=True, slots=True)
class Change:
    """One field of one row that an import changes. `old` and `new` are as people read them; "" is nothing recorded."""

    table: str
    key: str
    field: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Mention:
    """One row of the register: new in it, or in it and not in the file."""

    table: str
    key: str


@dataclass(slots=True)
class Counts:
    """Rows of one table. Missing ones are on record and not in the file; they stay."""

    added: int = 0
    changed: int = 0
    unchanged: int = 0
    missing: int = 0

    def as_dict(self) -> dict[str, int]:
        return {
            "added": self.added,
            "changed": self.changed,
            "unchanged": self.unchanged,
            "missing": self.missing,
        }


@dataclass(slots=True)
class Report:
    """Everything one import found and did. Where there are problems, nothing was written.

    `odd`: implausible values that were kept because that was asked for. `contradictions`: where a label's code and what
    was typed differ; `warnings`: codes that could not be read, or not wholly. `touched`: ids of the units whose duties
    may have moved; they are to be reckoned next.
    """

    counts: dict[str, Counts] = field(default_factory=dict)
    added: list[Mention] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    missing: list[Mention] = field(default_factory=list)
    odd: list[Problem] = field(default_factory=list)
    contradictions: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    touched: set[int] = field(default_factory=set)
    written: bool = False

    def count(self, table: str) -> Counts:
        """The counts of one table, from nothing on."""
        return self.counts.setdefault(table, Counts())

    def changed_anything(self) -> bool:
        """Whether the register is, or with --check would be, different afterwards."""
        return any(counts.added or counts.changed for counts in self.counts.values())

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return {
            "written": self.written,
            "tables": {table: self.counts[table].as_dict() for table in TABLES if table in self.counts},
            "problems": [problem.as_dict() for problem in self.problems],
            "added": [{"table": one.table, "key": one.key} for one in self.added],
            "changes": [
                {"table": one.table, "key": one.key, "field": one.field, "old": one.old, "new": one.new}
                for one in self.changes
            ],
            "missing": [{"table": one.table, "key": one.key} for one in self.missing],
            "odd": [problem.as_dict() for problem in self.odd],
            "contradictions": [problem.as_dict() for problem in self.contradictions],
            "warnings": [problem.as_dict() for problem in self.warnings],
            "remarks": self.remarks,
        }


def shown(value: object) -> str:
    """A value as people read it in a report; nothing recorded is ""."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return "; ".join(str(item) for item in value)
    return str(value)
