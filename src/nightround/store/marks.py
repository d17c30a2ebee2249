"""Marks: what has been recorded and is still to be reckoned. Left in the unit of work that writes the facts.

Whoever writes facts leaves marks by `leave`, and in no other way says that facts have changed; whoever reckons reads
them before the facts, and clears them with what it found. A process that dies in between leaves them to the next look
round. A mark left meanwhile is another row: what it is about may have been read too early, and is reckoned once more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, delete, func, insert, select

from .database import raise_version
from .tables import marks

EVERYBODY = "p"  # the holder of a mark for all people, and for what every site owes on account of them
_CHUNK = 500
_MANY = 5000


class Mark(NamedTuple):
    """`holder`: whose duties may move, as in `duties`: "u12" a unit, "s3" a site; "n2" whatever that notice is about,
    "p" everybody."""

    id: int
    holder: str


def leave(
    conn: Connection,
    now: datetime,
    *,
    units: Iterable[int] = (),
    sites: Iterable[int] = (),
    notices: Iterable[int] = (),
    everybody: bool = False,
) -> None:
    """Says that facts have changed: marks whose duties may move by it, and raises the fleet's version."""
    holders = [f"{letter}{number}" for letter, ids in (("u", units), ("s", sites), ("n", notices)) for number in ids]
    if everybody:
        holders.append(EVERYBODY)
    if holders:
        conn.execute(insert(marks), [{"holder": holder, "at": now} for holder in holders])
    raise_version(conn)


def waiting(conn: Connection) -> list[Mark]:
    """All that is still to be reckoned, in the order in which it was recorded."""
    return [Mark(*row) for row in conn.execute(_ALL)]


_ALL = select(marks.c.id, marks.c.holder).order_by(marks.c.id)


def of(conn: Connection, holders: Sequence[str]) -> dict[str, list[int]]:
    """The ids of the marks of these holders, by holder; those without any are left out."""
    found: dict[str, list[int]] = {}
    if len(holders) > _MANY:  # then most of what is marked is asked for
        wanted = set(holders)
        for mark in waiting(conn):
            if mark.holder in wanted:
                found.setdefault(mark.holder, []).append(mark.id)
        return found
    for start in range(0, len(holders), _CHUNK):
        some = select(marks.c.id, marks.c.holder).where(marks.c.holder.in_(holders[start : start + _CHUNK]))
        for mark_id, holder in conn.execute(some):
            found.setdefault(holder, []).append(mark_id)
    return found


def clear(conn: Connection, ids: Iterable[int]) -> None:
    """Takes these out: what they were about has been reckoned from facts that were read later than they."""
    wanted = sorted(ids)
    for start in range(0, len(wanted), _CHUNK):
        conn.execute(delete(marks).where(marks.c.id.in_(wanted[start : start + _CHUNK])))


def owing(conn: Connection) -> tuple[int, datetime | None]:
    """How many holders are still to be reckoned, and since when the oldest of them; (0, None) where none is."""
    count, oldest = conn.execute(_OWING).one()
    return int(count), oldest


_OWING = select(func.count(marks.c.holder.distinct()), func.min(marks.c.at))
