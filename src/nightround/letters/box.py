"""The letter box: every message is stored before it is sent, and is sent, given up or still waiting afterwards.

States: waiting → sending (held under a lease) → sent | given up. There is no fourth, and nothing is deleted here.
Whoever claims a letter holds it until its lease ends; a claim whose holder died is somebody else's then. Only the
holder may say what became of a letter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import (
    Connection,
    Integer,
    Update,
    and_,
    bindparam,
    false,
    func,
    literal,
    or_,
    select,
    true,
    union_all,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import ReturningUpdate

from ..rounds.ledger import AHEAD
from ..store.tables import messages
from ..store.types import Instant
from .compose import Letter


@dataclass(frozen=True, slots=True)
class Claimed:
    """A letter that its holder may send now. `tries` counts those that failed before."""

    id: int
    key: str
    to_address: str
    body: bytes
    urgent: bool
    tries: int
    created_at: datetime
    next_try_at: datetime
    last_answer: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a claimed letter. `state` is waiting, sent or given up; `sent_at` only where it is sent."""

    id: int
    state: str
    tries: int
    next_try_at: datetime
    sent_at: datetime | None
    answer: str
    failed_at: datetime | None = None  # where this was a failure: when


def post(conn: Connection, letter: Letter) -> int | None:
    """Stores a letter and gives its id; None where the letter box already holds one with its key."""
    row = {
        "key": letter.key,
        "kind": letter.kind,
        "person_id": letter.person_id,
        "to_address": letter.to_address,
        "subject": letter.subject,
        "message_id": letter.message_id,
        "body": letter.body,
        "urgent": letter.urgent,
        "counts_as": letter.counts_as,
        "created_at": letter.created_at,
        "state": "waiting",
        "next_try_at": letter.created_at,
    }
    found = conn.execute(_POST[conn.dialect.name], row).first()
    return None if found is None else int(found.id)


_POST = {
    dialect.name: insert(messages).on_conflict_do_nothing().returning(messages.c.id)
    for dialect, insert in ((postgresql.dialect, postgresql.insert), (sqlite.dialect, sqlite.insert))
}


def claim(
    conn: Connection,
    holder: str,
    now: datetime,
    limit: int,
    lease: timedelta,
    *,
    again_by: datetime | None = None,
    only: int | None = None,
) -> list[Claimed]:
    """Takes up to `limit` letters that are due, in the order in which they should go.

    Urgent ones first; then the one due for longest, new letters and those that failed before by turns, so that
    neither holds up the other. Letters that failed before count as due up to `again_by` (default: now).
    One statement, so that no two holders ever get the same letter.
    """
    found = conn.execute(
        _CLAIM,
        {
            "b_holder": holder,
            "b_lease_until": now + lease,
            "b_now": now,
            "b_again_by": again_by or now,
            "b_limit": limit,
            "b_only": only,
        },
    )
    return _by_turns([Claimed(*row) for row in found])


def set_right(conn: Connection, now: datetime, lease: timedelta, longest_wait: timedelta) -> int:
    """Lets letters go now that a clock which was ahead put off to a time that is far away; gives how many.

    `lease`: the longest one; `longest_wait`: the longest pause between two tries of a letter.
    """
    late = {"b_now": now, "b_ahead": now + AHEAD, "b_lease": now + lease + AHEAD, "b_wait": now + longest_wait + AHEAD}
    return conn.execute(_LET_GO, late).rowcount + conn.execute(_BRING_FORWARD, late).rowcount


_LET_GO = (
    update(messages)
    .where(messages.c.state == "sending", messages.c.lease_until > bindparam("b_lease", type_=Instant))
    .values(lease_until=bindparam("b_now", type_=Instant))
)
_BRING_FORWARD = (
    update(messages)
    .where(
        messages.c.state == "waiting",
        or_(
            messages.c.next_try_at > bindparam("b_wait", type_=Instant),
            and_(
                messages.c.created_at > bindparam("b_ahead", type_=Instant),
                messages.c.next_try_at > bindparam("b_ahead", type_=Instant),
            ),
        ),
    )
    .values(next_try_at=bindparam("b_now", type_=Instant))
)


def _claim_statement() -> ReturningUpdate[Any]:
    """Built once: four queues, urgent or not and new or tried before, of which the claim takes by turns."""
    now, limit = bindparam("b_now", type_=Instant), bindparam("b_limit", type_=Integer)
    only = bindparam("b_only", type_=Integer)
    new = and_(messages.c.state == "waiting", messages.c.tries == 0, messages.c.next_try_at <= now)
    again = or_(
        and_(
            messages.c.state == "waiting",
            messages.c.tries > 0,
            messages.c.next_try_at <= bindparam("b_again_by", type_=Instant),
        ),
        and_(messages.c.state == "sending", messages.c.lease_until <= now),
    )
    ranked = []
    for name, urgent, side, due in (
        ("urgent_new", True, 0, new),
        ("urgent_again", True, 1, again),
        ("new", False, 0, new),
        ("again", False, 1, again),
    ):
        queue = (
            select(messages.c.id, messages.c.next_try_at)
            .where(
                messages.c.urgent.is_(true() if urgent else false()), due, or_(only.is_(None), messages.c.id == only)
            )
            .order_by(messages.c.next_try_at, messages.c.id)
            .limit(limit)
            .with_for_update(skip_locked=True)
            .cte(name)
        )
        ranked.append(
            select(
                queue.c.id,
                literal(0 if urgent else 1).label("class"),
                func.row_number().over(order_by=(queue.c.next_try_at, queue.c.id)).label("turn"),
                literal(side).label("side"),
            )
        )
    turns = union_all(*ranked).subquery()
    picked = select(turns.c.id).order_by(turns.c["class"], turns.c.turn, turns.c.side, turns.c.id).limit(limit)
    return (
        update(messages)
        .where(messages.c.id.in_(picked))
        .values(state="sending", holder=bindparam("b_holder"), lease_until=bindparam("b_lease_until", type_=Instant))
        .returning(*(messages.c[name] for name in Claimed.__slots__))
    )


_CLAIM = _claim_statement()


def _by_turns(letters: list[Claimed]) -> list[Claimed]:
    """The order of `claim`, which RETURNING does not keep."""
    counts: dict[tuple[bool, bool], int] = {}
    ranked = []
    for letter in sorted(letters, key=lambda letter: (letter.next_try_at, letter.id)):
        queue = (letter.urgent, letter.tries > 0)
        counts[queue] = counts.get(queue, 0) + 1
        ranked.append(((not letter.urgent, counts[queue], letter.tries > 0, letter.id), letter))
    return [letter for _, letter in sorted(ranked, key=lambda pair: pair[0])]


_SETTLE = (
    update(messages)
    .where(
        messages.c.id == bindparam("b_id"), messages.c.state == "sending", messages.c.holder == bindparam("b_holder")
    )
    .values(
        state=bindparam("b_state"),
        tries=bindparam("b_tries"),
        next_try_at=bindparam("b_next_try_at"),
        sent_at=bindparam("b_sent_at"),
        last_answer=bindparam("b_answer"),
        failing_since=func.coalesce(messages.c.failing_since, bindparam("b_failed_at", type_=Instant)),
        holder="",
        lease_until=None,
    )
)


def settle(conn: Connection, holder: str, outcomes: Sequence[Outcome]) -> int:
    """Writes what became of letters, each only if it is still the holder's; says how many were."""
    if not outcomes:
        return 0
    rows = [
        {
            "b_id": outcome.id,
            "b_holder": holder,
            "b_state": outcome.state,
            "b_tries": outcome.tries,
            "b_next_try_at": outcome.next_try_at,
            "b_sent_at": outcome.sent_at,
            "b_answer": outcome.answer,
            "b_failed_at": outcome.failed_at,
        }
        for outcome in outcomes
    ]
    return conn.execute(_SETTLE, rows).rowcount


def settle_late(conn: Connection, outcomes: Sequence[Outcome]) -> None:
    """Writes what became of letters whose holder could not write it, unless somebody brought them to an end since."""
    for outcome in outcomes:
        conn.execute(
            update(messages)
            .where(messages.c.id == outcome.id, messages.c.state.in_(("waiting", "sending")))
            .values(
                state=outcome.state,
                tries=outcome.tries,
                next_try_at=outcome.next_try_at,
                sent_at=outcome.sent_at,
                last_answer=outcome.answer,
                failing_since=func.coalesce(messages.c.failing_since, outcome.failed_at),
                holder="",
                lease_until=None,
            )
        )


def renew(conn: Connection, holder: str, now: datetime, lease: timedelta) -> None:
    """Lengthens the lease of all that the holder has in hand."""
    conn.execute(_held(holder).values(lease_until=now + lease))


def release(conn: Connection, holder: str) -> int:
    """Puts back what the holder has not settled, as if it had not been claimed."""
    return conn.execute(_held(holder).values(state="waiting", holder="", lease_until=None)).rowcount


def hasten(conn: Connection, now: datetime, *, failed_too: bool) -> None:
    """Makes waiting letters due now: those that no server has put off, or all of them."""
    conn.execute(
        update(messages)
        .where(
            messages.c.state == "waiting",
            messages.c.next_try_at > now,
            messages.c.created_at <= now,
            true() if failed_too else messages.c.tries == 0,
        )
        .values(next_try_at=now)
    )


def waiting(conn: Connection) -> int:
    """How many letters have not come to their end."""
    count = select(func.count()).where(messages.c.state.in_(("waiting", "sending")))
    return int(conn.execute(count).scalar_one())


def _held(holder: str) -> Update:
    return update(messages).where(messages.c.state == "sending", messages.c.holder == holder)
