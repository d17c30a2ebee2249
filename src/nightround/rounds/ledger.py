"""The ledger: one row per time zone and civil date. It decides what is owed; no timer remembers anything.

A round is claimed by its row with a lease, so that two nodes never run the same one and a killed one is taken over.
"""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, bindparam, func, insert, or_, select, update
from sqlalchemy.exc import IntegrityError

from ..store import happenings
from ..store.database import Store
from ..store.tables import ledger
from ..store.types import Instant

LEASE = timedelta(minutes=15)
DONE = ("done", "caught up")
# A fleet found again after a longer sleep starts its ledger anew at the present date.
CATCH_UP_DAYS = 400


def last_done(conn: Connection, zone: str, up_to: date, since: datetime | None = None) -> date | None:
    """The newest civil date of the zone, up to that one, whose round is done.

    A round run by hand for a day still to come must not make the nights before it look done; nor that night itself
    when it comes: with `since`, the round of `up_to` counts only if it ended at that instant or later.
    """
    query = _NEWEST if since is None else _NEWEST_SINCE
    found: date | None = conn.execute(query, {"b_zone": zone, "b_up_to": up_to, "b_since": since}).scalar_one()
    return found


def ended(conn: Connection, since: date) -> dict[tuple[str, date], datetime]:
    """When the rounds that are done ended, by zone and civil date, from that date on."""
    query = select(ledger.c.zone, ledger.c.on, ledger.c.finished_at).where(
        ledger.c.on >= since, ledger.c.state.in_(DONE), ledger.c.finished_at.is_not(None)
    )
    return {(zone, on): at for zone, on, at in conn.execute(query)}


_NEWEST = select(func.max(ledger.c.on)).where(
    ledger.c.zone == bindparam("b_zone"), ledger.c.on <= bindparam("b_up_to"), ledger.c.state.in_(DONE)
)
_NEWEST_SINCE = _NEWEST.where(
    or_(ledger.c.on < bindparam("b_up_to"), ledger.c.finished_at >= bindparam("b_since", type_=Instant))
)


_FINISHED = (
    select(ledger.c.finished_at)
    .where(ledger.c.zone == bindparam("b_zone"), ledger.c.state.in_(DONE), ledger.c.finished_at.is_not(None))
    .order_by(ledger.c.finished_at.desc())
    .limit(1)
)


def age(conn: Connection, zone: str, now: datetime) -> timedelta | None:
    """How long ago the newest finished round of the zone ended; None where there was none."""
    finished: datetime | None = conn.execute(_FINISHED, {"b_zone": zone}).scalar_one_or_none()
    return None if finished is None else now - finished


def newest_on(conn: Connection, zone: str) -> date | None:
    """The civil date of the round that the zone's duties now say: the one that ended last; None where there is none."""
    query = (
        select(ledger.c.on)
        .where(ledger.c.zone == zone, ledger.c.state.in_(DONE), ledger.c.finished_at.is_not(None))
        .order_by(ledger.c.finished_at.desc(), ledger.c.on.desc())  # those it caught up ended with it
        .limit(1)
    )
    found: date | None = conn.execute(query).scalar_one_or_none()
    return found


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
    that instant is too: it was run by hand before its night had come.
    """
    try:
        with store.write() as conn:
            row = conn.execute(
                select(ledger.c.state, ledger.c.holder, ledger.c.lease_until, ledger.c.finished_at).where(
                    ledger.c.zone == zone, ledger.c.on == on
                )
            ).first()
            if row is None:
                conn.execute(
                    insert(ledger).values(
                        zone=zone, on=on, state="running", holder=holder, lease_until=now + LEASE, started_at=now
                    )
                )
                return True
            early = since is not None and (row.finished_at is None or row.finished_at < since)
            if row.state in DONE and not (again or early):
                return False
            if row.lease_until is not None and row.lease_until > now:
                return False
            taken = conn.execute(
                update(ledger)
                .where(
                    ledger.c.zone == zone,
                    ledger.c.on == on,
                    ledger.c.state == row.state,
                    ledger.c.holder == row.holder,
                    ledger.c.lease_until.is_not_distinct_from(row.lease_until),
                )
                .values(state="running", holder=holder, lease_until=now + LEASE)
            )
            return taken.rowcount == 1
    except IntegrityError:
        return False  # another node wrote the row a moment earlier


def hold(conn: Connection, zone: str, on: date, holder: str, now: datetime, **counts: int) -> bool:
    """Renews the lease and adds to the counts, in the batch's own transaction; False where the round was lost."""
    added: dict[str, Any] = {name: ledger.c[name] + value for name, value in counts.items()}
    held = conn.execute(
        update(ledger)
        .where(ledger.c.zone == zone, ledger.c.on == on, ledger.c.holder == holder, ledger.c.state == "running")
        .values(lease_until=now + LEASE, **added)
    )
    return held.rowcount == 1


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
    **totals: int,
) -> bool:
    """Marks the round done, and the dates that were missed before it as caught up by it."""
    missed = _missed(conn, zone, on)
    done = conn.execute(
        update(ledger)
        .where(ledger.c.zone == zone, ledger.c.on == on, ledger.c.holder == holder, ledger.c.state == "running")
        .values(
            state="done",
            finished_at=now,
            lease_until=None,
            seconds=seconds,
            findings=json.dumps(findings, ensure_ascii=False),
            **totals,
        )
    )
    if done.rowcount != 1:
        return False
    happenings.mark(conn, happenings.ROUND, now)
    conn.execute(
        update(ledger)
        .where(ledger.c.zone == zone, ledger.c.on < on, ledger.c.state == "running")
        .values(state="caught up", finished_at=now, lease_until=None)
    )
    if missed:
        conn.execute(
            insert(ledger),
            [
                {"zone": zone, "on": day, "state": "caught up", "started_at": now, "finished_at": now, "holder": holder}
                for day in missed
            ],
        )
    return True


def _missed(conn: Connection, zone: str, on: date) -> list[date]:
    """The civil dates between the last done round and this one that have no row."""
    first = conn.execute(
        select(func.max(ledger.c.on)).where(ledger.c.zone == zone, ledger.c.on < on, ledger.c.state.in_(DONE))
    ).scalar_one()
    if first is None or (on - first).days > CATCH_UP_DAYS:
        return []
    have = set(
        conn.execute(select(ledger.c.on).where(ledger.c.zone == zone, ledger.c.on > first, ledger.c.on < on)).scalars()
    )
    days = [first + timedelta(days=n) for n in range(1, (on - first).days)]
    return [day for day in days if day not in have]
