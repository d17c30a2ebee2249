"""What the last rounds left of the viewer's fleet: how old they are, and how many units are in which condition."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, func, or_, select

from ..rounds import ledger
from ..settings import Settings
from ..store.tables import conditions, sites, units
from ..store.tables import ledger as ledger_table
from .people import Viewer

# A night's round and an hour of delay, on the longest civil day (25 h, when the clock is turned back).
STALE = timedelta(hours=28)

# Worst first.
CONDITIONS = ("not to be relied on", "no evidence", "work due", "in service", "withdrawn")
NO_EVIDENCE = "no evidence"
NOT_RECKONED = "not reckoned yet"  # what such a unit is called by itself; it is counted under "no evidence"


@dataclass(frozen=True, slots=True)
class Round:
    """The last finished round of a time zone; `age` is None where there was none."""

    zone: str
    age: timedelta | None
    finished_at: datetime | None

    @property
    def stale(self) -> bool:
        """Whether the dates of this zone may no longer be what they should."""
        return self.age is None or self.age > STALE


def zone_of(conn: Connection, viewer: Viewer, settings: Settings) -> str:
    """The zone in which the viewer's days are counted: their own, their first site's, the fleet's."""
    if viewer.time_zone:
        return viewer.time_zone
    first = conn.execute(select(sites.c.time_zone).where(viewer.sees()).order_by(sites.c.id).limit(1)).scalar()
    return first or settings.fleet.time_zone


def rounds(conn: Connection, viewer: Viewer, now: datetime) -> list[Round]:
    """The last round of each of the viewer's time zones, the oldest first."""
    found = [
        Round(zone, None if at is None else now - at, at) for zone, at in ledger.finished(conn, viewer.sees()).items()
    ]
    return sorted(found, key=lambda last: (last.age is not None, -(last.age or timedelta()), last.zone))


def round_of(conn: Connection, zone: str, now: datetime) -> Round:
    """The last round of one time zone."""
    age = ledger.age(conn, zone, now)
    return Round(zone, age, None if age is None else now - age)


def units_by_condition(conn: Connection, viewer: Viewer, *more: ColumnElement[bool]) -> dict[str, int]:
    """How many of the viewer's units there are by condition, each unit once; of one that no round has seen there is no
    evidence."""
    query = (
        select(conditions.c.condition, func.count())
        .select_from(units.join(sites, sites.c.id == units.c.site_id).outerjoin(conditions))
        .where(viewer.sees(), *more)
        .group_by(conditions.c.condition)
    )
    found: dict[str, int] = {}
    for word, number in conn.execute(query):
        found[word or NO_EVIDENCE] = found.get(word or NO_EVIDENCE, 0) + number
    return found


def is_in(condition: str) -> ColumnElement[bool]:
    """The condition on `conditions`, joined from the outside, that holds for the units counted under that word."""
    counted = conditions.c.condition == condition
    return or_(counted, conditions.c.condition.is_(None)) if condition == NO_EVIDENCE else counted


def set_aside(conn: Connection, viewer: Viewer) -> list[tuple[str, str]]:
    """The viewer's units that the last rounds could not reckon, and why."""
    newest = (
        select(ledger_table.c.zone, func.max(ledger_table.c.on).label("on"))
        .where(ledger_table.c.state.in_(ledger.DONE))
        .group_by(ledger_table.c.zone)
        .subquery()
    )
    query = select(ledger_table.c.findings).join(
        newest, (newest.c.zone == ledger_table.c.zone) & (newest.c.on == ledger_table.c.on)
    )
    found = {said["unit"]: said["why"] for text in conn.execute(query).scalars() for said in json.loads(text)}
    codes = sorted(found)[:500]
    mine = select(units.c.unit).join(sites, sites.c.id == units.c.site_id).where(viewer.sees(), units.c.unit.in_(codes))
    return [(code, found[code]) for code in sorted(conn.execute(mine).scalars())]
