"""What the ledger says lately of all time zones at once. Never asks for one zone at a time, and writes nothing.

The ledger keeps every night of every zone for years. One pass over it gives the last few nights and whatever ended
lately; only zones of which that is not all that counts, such as one that is new or was silent for days, cost another.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, case, func, or_, select

from ..store.tables import ledger
from ..store.types import Instant
from .ledger import AHEAD, DONE

# No civil date that is owed anywhere is older than two days before the date in UTC.
_OWED = timedelta(days=2)


class Running(NamedTuple):
    """A round that was begun and has not ended; `lease_until` is the end of its last lease."""

    on: date
    started_at: datetime
    lease_until: datetime | None


class Ended(NamedTuple):
    """The round that ended last: the instant of its end and its civil date."""

    at: datetime
    on: date


@dataclass(frozen=True, slots=True)
class Recent:
    """What counts of one zone's rounds. `done`: by civil date when each ended; `running`: by rising civil date.

    Of the rounds that are done it holds those of the last three days and later, the newest before these, and the one
    that ended last of all.
    """

    done: Mapping[date, datetime | None] = field(default_factory=dict)
    running: tuple[Running, ...] = ()

    @property
    def last(self) -> Ended | None:
        """The round that the zone's duties now say: the one that ended last; None where none ever has."""
        # Those that a round caught up ended with it.
        return max((Ended(at, on) for on, at in self.done.items() if at is not None), default=None)

    def age(self, now: datetime) -> timedelta | None:
        """How long ago the round that ended last did; None where none ever has."""
        last = self.last
        return None if last is None else now - last.at

    def ended(self, on: date, since: datetime) -> bool:
        """Whether the round of that recent civil date is done and ended at that instant or later."""
        at = self.done.get(on)
        return at is not None and at >= since

    def done_up_to(self, owed: date, since: datetime) -> date | None:
        """The newest civil date, up to the one that is owed now, whose round is done.

        A round that was run by hand before its night does not stand for it: that of `owed` counts only if it ended
        at `since` or later.
        """
        return max((on for on in self.done if on < owed or (on == owed and self.ended(on, since))), default=None)


def silent(conn: Connection, zones: Collection[str], since: datetime, now: datetime) -> list[str]:
    """Those of the zones in which no round has ended since that instant. What ended in time to come does not count."""
    ran = set(conn.execute(_RAN, {"b_since": since, "b_ahead": now + AHEAD}).scalars().all())
    return [zone for zone in zones if zone not in ran]


_RAN = (
    select(ledger.c.zone)
    .where(
        ledger.c.state.in_(DONE),
        ledger.c.finished_at >= bindparam("b_since", type_=Instant),
        ledger.c.finished_at <= bindparam("b_ahead", type_=Instant),
    )
    .distinct()
)


def recent(conn: Connection, zones: Collection[str], now: datetime) -> dict[str, Recent]:
    """What counts of the rounds of each of the zones, in one statement or two.

    Those that ended in time to come do not: the clock was ahead when they ran.
    """
    ahead = now + AHEAD
    day = now.astimezone(UTC).date()
    since = day - _OWED - timedelta(days=1)
    began = datetime.combine(since, time(), UTC)
    done: dict[str, dict[date, datetime | None]] = {zone: {} for zone in zones}
    running: dict[str, list[Running]] = {zone: [] for zone in zones}
    for zone, on, state, started_at, lease_until, finished_at in conn.execute(
        _LATELY, {"b_since": since, "b_began": began}
    ):
        if zone not in done:
            continue  # no site is there any more
        if state in DONE:
            if finished_at is None or finished_at <= ahead:
                done[zone][on] = finished_at
        elif state == "running":
            running[zone].append(Running(on, started_at, lease_until))
    older = [zone for zone in zones if not _suffices(done[zone], since, day - _OWED, began)]
    if older:
        for zone, on, finished_at in conn.execute(_BEFORE, {"b_zones": older, "b_since": since, "b_ahead": ahead}):
            done[zone][on] = finished_at
    return {zone: Recent(done[zone], tuple(sorted(running[zone]))) for zone in zones}


def _suffices(done: Mapping[date, datetime | None], since: date, owed: date, began: datetime) -> bool:
    """Whether no older row can be the one that ended last, nor the newest before whatever is owed."""
    return any(since <= on < owed for on in done) and any(at is not None and at >= began for at in done.values())


_LATELY = select(
    ledger.c.zone, ledger.c.on, ledger.c.state, ledger.c.started_at, ledger.c.lease_until, ledger.c.finished_at
).where(
    or_(
        ledger.c.state == "running",
        ledger.c.on >= bindparam("b_since"),
        ledger.c.finished_at >= bindparam("b_began", type_=Instant),
    )
)
_NOT_AHEAD = or_(ledger.c.finished_at.is_(None), ledger.c.finished_at <= bindparam("b_ahead", type_=Instant))
_newest = (
    select(
        ledger.c.zone,
        func.max(ledger.c.finished_at).label("finished_at"),
        func.max(case((ledger.c.on < bindparam("b_since"), ledger.c.on))).label("on"),
    )
    .where(ledger.c.zone.in_(bindparam("b_zones", expanding=True)), ledger.c.state.in_(DONE), _NOT_AHEAD)
    .group_by(ledger.c.zone)
    .subquery()
)
_BEFORE = (
    select(ledger.c.zone, ledger.c.on, ledger.c.finished_at)
    .join(_newest, _newest.c.zone == ledger.c.zone)
    .where(
        ledger.c.state.in_(DONE),
        _NOT_AHEAD,
        or_(ledger.c.finished_at == _newest.c.finished_at, ledger.c.on == _newest.c.on),
    )
)
