"""When the rounds behind a letter last ran, and which units they had to set aside. Old news is said first."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, func, select

from ..rounds import ledger
from ..rounds.todays import LATE
from ..store.tables import ledger as ledger_table
from ..store.tables import sites, units
from .templates import say_count, say_instant

SHOWN = 6


@dataclass(frozen=True, slots=True)
class Night:
    """The last finished round of one time zone; `finished_at` is None where there was none."""

    zone: str
    finished_at: datetime | None
    age: timedelta | None

    @property
    def late(self) -> bool:
        """Whether what was found then may no longer be so: older than 28 hours, or never."""
        return self.age is None or self.age > LATE

    @property
    def line(self) -> str:
        """When it ran, in the words of a letter."""
        if self.age is None:
            return f"{self.zone}: no round has ever run"
        hours = f", {say_count(int(self.age.total_seconds() // 3600), 'hour')} ago" if self.late else ""
        return f"{self.zone}: {say_instant(self.finished_at, self.zone)}{hours}"


@dataclass(frozen=True, slots=True)
class Nights:
    """The rounds of all the reader's zones, the oldest first."""

    nights: tuple[Night, ...]

    @property
    def late(self) -> tuple[str, ...]:
        """Lines for the rounds that are late; empty when none is."""
        return _cut([night.line for night in self.nights if night.late])

    @property
    def lines(self) -> tuple[str, ...]:
        return _cut([night.line for night in self.nights])

    @property
    def short(self) -> str:
        """`last round 02:10 on Wed 25 Nov 2026`; where there are several, the oldest."""
        if not self.nights:
            return "no round yet"
        oldest = self.nights[0]
        if oldest.finished_at is None:
            return f"no round yet in {oldest.zone}"
        local = say_instant(oldest.finished_at, oldest.zone)
        day, _, clock = local.rpartition(", ")
        if len(self.nights) > 1:
            return f"last rounds, the oldest {clock} on {day} ({oldest.zone})"
        return f"last round {clock} on {day}"


def nights(conn: Connection, seen: ColumnElement[bool], now: datetime) -> Nights:
    """The last round of the time zone of each site that is seen."""
    found = [Night(zone, at, None if at is None else now - at) for zone, at in ledger.finished(conn, seen).items()]
    return Nights(
        tuple(sorted(found, key=lambda night: (night.age is not None, -(night.age or timedelta()), night.zone)))
    )


def set_aside(conn: Connection, seen: ColumnElement[bool]) -> tuple[tuple[str, str], ...]:
    """The units that the last rounds could not reckon, and why; what a letter says of them is older."""
    found = {said["unit"]: said["why"] for text in conn.execute(_FINDINGS).scalars() for said in json.loads(text)}
    codes = sorted(found)
    mine: list[str] = []
    for start in range(0, len(codes), 500):
        mine += conn.execute(
            select(units.c.unit)
            .join(sites, sites.c.id == units.c.site_id)
            .where(seen, units.c.unit.in_(codes[start : start + 500]))
        ).scalars()
    return tuple((code, found[code]) for code in sorted(mine))


_newest = (
    select(ledger_table.c.zone, func.max(ledger_table.c.on).label("on"))
    .where(ledger_table.c.state.in_(ledger.DONE))
    .group_by(ledger_table.c.zone)
    .subquery()
)
_FINDINGS = (
    select(ledger_table.c.findings)
    .join(_newest, (_newest.c.zone == ledger_table.c.zone) & (_newest.c.on == ledger_table.c.on))
    .where(ledger_table.c.findings != "[]")
)


def _cut(lines: list[str]) -> tuple[str, ...]:
    if len(lines) <= SHOWN:
        return tuple(lines)
    return (*lines[:SHOWN], f"and {len(lines) - SHOWN} more time zones")
