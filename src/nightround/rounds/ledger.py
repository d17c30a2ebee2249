"""The ledger: one row per time zone and civil date. It decides what is owed; no timer remembers anything.

A round is claimed by its row with a lease, so that two nodes never run the same one and a killed one is taken over.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, Integer, Update, bindparam, delete, func, insert, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from ..store import happenings
from ..store.database import Store
from ..store.tables import ledger, sites
from ..store.types import Instant

LEASE = timedelta(minutes=15)
# Two machines on one database agree to the second or so; what lies further ahead was written by a clock that was wrong.
AHEAD = timedelta(minutes=2)
DONE = ("done", "caught up")
# A fleet found again after a longer sleep starts its ledger anew at the present date.
CATCH_UP_DAYS = 400


def ended(conn: Connection, zones: Sequence[str], since: date) -> dict[tuple[str, date], datetime]:
    """When the rounds of those zones that are done ended, by zone and civil date, from that date on."""
    rows = conn.execute(_ENDED, {"b_zones": zones, "b_since": since})
    return {(zone, on): at for zone, on, at in rows}


_ENDED = select(ledger.c.zone, ledger.c.on, ledger.c.finished_at).where(
    ledger.c.zone.in_(bindparam("b_zones", expanding=True)),
    ledger.c.on >= bindparam("b_since"),
    ledger.c.state.in_(DONE),
    ledger.c.finished_at.is_not(None),
)


_LAST = (
    select(ledger.c.finished_at, ledger.c.on)
    .where(ledger.c.zone == bindparam("b_zone"), ledger.c.state.in_(DONE), ledger.c.finished_at.is_not(None))
    .order_by(ledger.c.finished_at.desc(), ledger.c.on.desc())  # those it caught up ended with it
    .limit(1)
)


def age(conn: Connection, zone: str, now: datetime) -> timedelta | None:
    """How long ago the newest finished round of the zone ended; None where there was none. What ended in time to come
    counts for nothing."""
    last = conn.execute(_LAST.where(ledger.c.finished_at <= now + AHEAD), {"b_zone": zone}).first()
    return None if last is None else now - last.finished_at


def newest_on(conn: Connection, zone: str) -> date | None:
    """The civil date of the round that the zone's duties now say: the one that ended last; None where there is none."""
    last = conn.execute(_LAST, {"b_zone": zone}).first()
    return None if last is None else last.on


def finished(conn: Connection, among: ColumnElement[bool]) -> dict[str, datetime | None]:
    """When a round last ended in each of the time zones of the sites for which the clause holds.

    None where none ever has.
    """
    zones = select(sites.c.time_zone).where(among).distinct().subquery()
    last = select(func.max(ledger.c.finished_at)).where(ledger.c.zone == zones.c.time_zone, ledger.c.state.in_(DONE))
    return dict(conn.execute(select(zones.c.time_zone, last.scalar_subquery())).all())


def claim(
    store: Store,
    zone: str,
    on: date,
    holder: str,
    now: datetime,
    *,
    again: bool = False,
    since: datetime | None = None,
) -> bool:
    """Takes the round of that zone and date; False where it is done or another holds it.

    With `again`, one that is done is taken once more: a person asked for it. With `since`, one that ended before
    that instant is too: it was run by hand before its night had come. Rounds of the zone that ended in time to come
    were run while the clock was ahead: they are taken out, and then this one is taken even where it is done, because
    the zone's duties are those of a day that has not come.
    """
    taken = {"b_holder": holder, "b_lease_until": now + LEASE}
    mine = {"b_zone": zone, "b_on": on}
    with store.write() as conn:
        beyond = {"b_zone": zone, "b_after": now + AHEAD}
        ahead = conn.execute(_ANY_AHEAD, beyond).first() is not None  # hardly ever: a quiet night only looks
        if ahead:
            conn.execute(_TAKE_OUT_AHEAD, beyond)
        # Mostly there is no row yet. Where another node is just writing it, this waits for what becomes of it.
        if conn.execute(_claim(conn.dialect.name), {**mine, **taken, "b_now": now}).first() is not None:
            return True
        row = conn.execute(_CLAIMED, mine).one()
        early = since is not None and (row.finished_at is None or row.finished_at < since)
        if row.state in DONE and not (again or early or ahead):
            return False
        if row.lease_until is not None and now < row.lease_until <= now + LEASE + AHEAD:
            return False
        seen = {"b_state": row.state, "b_held_by": row.holder, "b_held_until": row.lease_until}
        return conn.execute(_CLAIM_AGAIN, {**mine, **taken, **seen}).rowcount == 1


_AHEAD = (ledger.c.zone == bindparam("b_zone"), ledger.c.finished_at > bindparam("b_after", type_=Instant))
_ANY_AHEAD = select(ledger.c.id).where(*_AHEAD).limit(1)
_TAKE_OUT_AHEAD = delete(ledger).where(*_AHEAD)
_THIS = (ledger.c.zone == bindparam("b_zone"), ledger.c.on == bindparam("b_on"))
_HELD = (*_THIS, ledger.c.holder == bindparam("b_holder"), ledger.c.state == "running")
_CLAIMED = select(ledger.c.state, ledger.c.holder, ledger.c.lease_until, ledger.c.finished_at).where(*_THIS)
_CLAIM_AGAIN = (
    update(ledger)
    .where(
        *_THIS,
        ledger.c.state == bindparam("b_state"),
        ledger.c.holder == bindparam("b_held_by"),
        ledger.c.lease_until.is_not_distinct_from(bindparam("b_held_until", type_=Instant)),
    )
    .values(state="running", holder=bindparam("b_holder"), lease_until=bindparam("b_lease_until"))
)


@lru_cache
def _claim(dialect: str) -> Any:
    statement = (postgresql if dialect == "postgresql" else sqlite).insert(ledger)
    return (
        statement.values(
            zone=bindparam("b_zone"),
            on=bindparam("b_on"),
            state="running",
            holder=bindparam("b_holder"),
            lease_until=bindparam("b_lease_until"),
            started_at=bindparam("b_now"),
        )
        .on_conflict_do_nothing(index_elements=["zone", "on"])
        .returning(ledger.c.id)
    )


def hold(conn: Connection, zone: str, on: date, holder: str, now: datetime, **counts: int) -> bool:
    """Renews the lease and adds to the counts, in the batch's own transaction; False where the round was lost."""
    said = {"b_zone": zone, "b_on": on, "b_holder": holder, "b_lease_until": now + LEASE}
    return conn.execute(_hold(tuple(counts)), said | _bound(counts)).rowcount == 1


@lru_cache
def _hold(counts: tuple[str, ...]) -> Update:
    return update(ledger).where(*_HELD).values(lease_until=bindparam("b_lease_until"), **_added(counts))


def _added(counts: Iterable[str]) -> dict[str, ColumnElement[int]]:
    return {name: ledger.c[name] + bindparam(f"b_{name}", type_=Integer) for name in counts}


def _bound(counts: Mapping[str, int]) -> dict[str, int]:
    return {f"b_{name}": value for name, value in counts.items()}


def release(store: Store, zone: str, on: date, holder: str, now: datetime) -> None:
    """Gives a round back that was broken off on purpose, so that the next start need not wait for the lease to end."""
    with store.write() as conn:
        conn.execute(
            update(ledger)
            .where(ledger.c.zone == zone, ledger.c.on == on, ledger.c.holder == holder, ledger.c.state == "running")
            .values(lease_until=now)
        )


def close(
    conn: Connection,
    zone: str,
    on: date,
    holder: str,
    now: datetime,
    seconds: float,
    findings: list[dict[str, str]],
    totals: Mapping[str, int],
    **counts: int,
) -> bool:
    """Marks the round done, and the dates that were missed before it as caught up by it.

    `totals` take the place of what stood there, `counts` are added as by `hold`. False where the round was lost.
    """
    broken_off, missed = _before(conn, zone, on)
    said = {
        "b_zone": zone,
        "b_on": on,
        "b_holder": holder,
        "b_now": now,
        "b_seconds": seconds,
        "b_findings": json.dumps(findings, ensure_ascii=False),
    }
    statement = _close(tuple(totals), tuple(counts))
    if conn.execute(statement, said | _bound(totals) | _bound(counts)).rowcount != 1:
        return False
    happenings.mark(conn, happenings.ROUND, now)
    if broken_off:
        conn.execute(_CATCH_UP, {"b_zone": zone, "b_on": on, "b_now": now})
    if missed:
        conn.execute(
            insert(ledger),
            [
                {"zone": zone, "on": day, "state": "caught up", "started_at": now, "finished_at": now, "holder": holder}
                for day in missed
            ],
        )
    return True


@lru_cache
def _close(totals: tuple[str, ...], counts: tuple[str, ...]) -> Update:
    return (
        update(ledger)
        .where(*_HELD)
        .values(
            state="done",
            finished_at=bindparam("b_now"),
            lease_until=None,
            seconds=bindparam("b_seconds"),
            findings=bindparam("b_findings"),
            **{name: bindparam(f"b_{name}") for name in totals},
            **_added(counts),
        )
    )


def _before(conn: Connection, zone: str, on: date) -> tuple[bool, list[date]]:
    """Whether a round of an earlier civil date was begun and not ended; and the dates since the last done round that
    have no row."""
    rows = conn.execute(_BEFORE, {"b_zone": zone, "b_on": on}).all()
    have = {day for day, state in rows if state not in DONE}  # running, or broken off
    first = max((day for day, state in rows if state in DONE), default=None)
    if first is None or (on - first).days > CATCH_UP_DAYS:
        return bool(have), []
    days = [first + timedelta(days=n) for n in range(1, (on - first).days)]
    return bool(have), [day for day in days if day not in have]


_EARLIER = (ledger.c.zone == bindparam("b_zone"), ledger.c.on < bindparam("b_on"))
_other = ledger.alias()
_LAST_DONE = select(func.max(_other.c.on)).where(
    _other.c.zone == bindparam("b_zone"), _other.c.on < bindparam("b_on"), _other.c.state.in_(DONE)
)
# The last one that is done, and all that are not.
_BEFORE = select(ledger.c.on, ledger.c.state).where(
    *_EARLIER, or_(ledger.c.state.not_in(DONE), ledger.c.on == _LAST_DONE.scalar_subquery())
)
_CATCH_UP = (
    update(ledger)
    .where(*_EARLIER, ledger.c.state == "running")
    .values(state="caught up", finished_at=bindparam("b_now"), lease_until=None)
)
