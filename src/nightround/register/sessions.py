"""Who is signed in: sessions begin with a link, are listed, and end. The one place that writes them.

A session is known by a digest of what the browser holds, so that a copy of the database lets nobody in. It ends on
the day it was made for, when its person or a coordinator ends it, when the person leaves and when their e-mail address
changes; an address that changes back revives nothing. Instants are aware; `fleet_zone` is the fleet's time zone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, delete, insert, select
from sqlalchemy.exc import IntegrityError

from ..addresses import mark
from ..store.tables import people, sessions, used_links
from .leaving import gone

DEVICE_LENGTH = 160
_SHOWN = ("device", "began_at", "ends_at")


@dataclass(frozen=True, slots=True)
class Signed:
    """A session that is good now. `device` is what the browser said of itself; `ends_at` is its last instant."""

    id: int
    person: str
    name: str
    device: str
    began_at: datetime
    ends_at: datetime


def use(conn: Connection, link: str, until: datetime) -> bool:
    """Uses up a link that is good until that instant; False where somebody was signed in by it before."""
    if is_used(conn, link):
        return False
    try:
        with conn.begin_nested():
            conn.execute(insert(used_links).values(digest=digest(link), ends_at=until))
    except IntegrityError:  # used at the very same moment
        return False
    return True


def begin(conn: Connection, person_id: int, token: str, device: str, now: datetime, until: datetime) -> None:
    """Begins a session of that person, good until that instant. `token` is what the browser will hold."""
    address = conn.execute(select(people.c.email).where(people.c.id == person_id)).scalar_one()
    made = {"began_at": now, "ends_at": until, "device": device[:DEVICE_LENGTH]}
    conn.execute(insert(sessions).values(digest=digest(token), person_id=person_id, mailbox=mark(address), **made))


def is_used(conn: Connection, link: str) -> bool:
    """Whether somebody was signed in by that link."""
    return conn.execute(select(used_links.c.digest).where(used_links.c.digest == digest(link))).first() is not None


def number_of(conn: Connection, token: str, person: str, mailbox: str, now: datetime) -> int | None:
    """The number of that person's session, if it is good at that instant; None where it has ended or never was."""
    query = (
        select(sessions.c.id)
        .join(people, people.c.id == sessions.c.person_id)
        .where(sessions.c.digest == digest(token), sessions.c.mailbox == mailbox)
        .where(sessions.c.ends_at >= now, people.c.person == person)
    )
    return conn.execute(query).scalar_one_or_none()


def listed(conn: Connection, now: datetime, *only: ColumnElement[bool]) -> list[Signed]:
    """The sessions that are good at that instant, by person, the newest first. `only` are conditions on `people`."""
    query = (
        select(sessions.c.id, people.c.person, people.c.name, *(sessions.c[name] for name in _SHOWN))
        .join(people, people.c.id == sessions.c.person_id)
        .where(sessions.c.ends_at >= now, *only)
        .order_by(people.c.person, sessions.c.began_at.desc(), sessions.c.id.desc())
    )
    return [Signed(*row) for row in conn.execute(query)]


def end(conn: Connection, numbers: Collection[int]) -> int:
    """Ends those sessions and says how many there were."""
    wanted: Sequence[int] = sorted(numbers)
    ended = 0
    for start in range(0, len(wanted), 500):
        ended += conn.execute(delete(sessions).where(sessions.c.id.in_(wanted[start : start + 500]))).rowcount
    return ended


def sweep(conn: Connection, fleet_zone: str, now: datetime) -> int:
    """Ends what `over` finds and says how many sessions that were; forgets used links that have ended by themselves."""
    conn.execute(delete(used_links).where(used_links.c.ends_at < now))
    return end(conn, over(conn, fleet_zone, now))


def over(conn: Connection, fleet_zone: str, now: datetime) -> set[int]:
    """The sessions past their last instant, of people who have left, and of another e-mail address than they had."""
    found = set()
    query = select(sessions, people.c.email).join(people, people.c.id == sessions.c.person_id)
    for row in conn.execute(query).all():
        if row.ends_at < now or mark(row.email) != row.mailbox or gone(conn, row.person_id, fleet_zone, now):
            found.add(row.id)
    return found


def digest(secret: str) -> str:
    """What is kept of a secret that somebody holds: enough to know it again, too little to make it."""
    return hashlib.sha256(secret.encode("utf-8")).hexdigest()
