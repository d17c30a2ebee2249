"""Cases of no one site: mail to a person that was given up, and a time zone whose round was missed.

Opened and closed at every look round, not by the round, which may be what has failed. Never opens one twice.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from .. import addresses
from ..bootstrap import Program
from ..reckoning.dates import local_day
from ..rounds import events
from ..rounds.causes import MAIL_GIVEN_UP, ROUND_MISSED, SOON, URGENT, item, spoken, text_of
from ..rounds.loading import zones
from ..rounds.recent import recent, silent
from ..rounds.todays import LATE
from ..store.database import raise_version
from ..store.tables import cases, fleet, messages, people

_WORDS = 200  # of a mail server's answer


class Found(NamedTuple):
    """A cause that holds now."""

    cause: str
    kind: str
    severity: str
    what: str
    person_id: int | None
    zone: str
    opened_on: date


def look(program: Program, now: datetime) -> tuple[int, int]:
    """Opens and closes what has to be; gives how many of each."""
    with program.store.read() as conn:
        if not _differs(conn, _found(conn, now, program.settings.fleet.time_zone)):
            return 0, 0
    with program.store.write() as conn:
        found = _found(conn, now, program.settings.fleet.time_zone)
        counts = _settle(conn, found, now)
        raise_version(conn)
    return counts


def look_in(conn: Connection, now: datetime, zone: str) -> None:
    """The same within a unit of work of the caller's: what was written in it and what follows from it hold together.

    `zone` is the fleet's own.
    """
    found = _found(conn, now, zone)
    if _differs(conn, found):
        _settle(conn, found, now)
        raise_version(conn)


def _found(conn: Connection, now: datetime, zone: str) -> dict[str, Found]:
    found = [*_mail(conn, local_day(now, zone)), *_rounds(conn, now)]
    return {one.cause: one for one in found}


def _open(conn: Connection) -> dict[str, Any]:
    return {row.cause: row for row in conn.execute(_OPEN)}


_OPEN = select(cases.c.id, cases.c.cause, cases.c.what).where(
    cases.c.closed_at.is_(None), cases.c.kind.in_((MAIL_GIVEN_UP, ROUND_MISSED))
)


def _differs(conn: Connection, found: dict[str, Found]) -> bool:
    return {cause: one.what for cause, one in found.items()} != {cause: row.what for cause, row in _open(conn).items()}


def _settle(conn: Connection, found: dict[str, Found], now: datetime) -> tuple[int, int]:
    standing = _open(conn)
    opened = closed = 0
    insert = postgresql.insert if conn.dialect.name == "postgresql" else sqlite.insert
    for cause, one in found.items():
        old = standing.pop(cause, None)
        if old is None:
            row = one._asdict() | {"state": "open", "opened_at": now, "found_at_import": False}
            # Another process may have been quicker: then the case is there, and its history too.
            made = conn.execute(insert(cases).values(row).on_conflict_do_nothing().returning(cases.c.id)).scalar()
            if made is not None:
                events.record(conn, made, now, events.OPENED, said=spoken(one.what))
                opened += 1
        elif old.what != one.what:
            conn.execute(update(cases).where(cases.c.id == old.id).values(what=one.what))
            events.record(conn, old.id, now, events.REWORDED, said=spoken(one.what))
    for old in standing.values():
        conn.execute(update(cases).where(cases.c.id == old.id).values(state="closed", closed_at=now))
        events.record(conn, old.id, now, events.CLOSED)
        closed += 1
    return opened, closed


def _mail(conn: Connection, on: date) -> list[Found]:
    """Everybody of whom the newest letter that came to its end, at the address they have now, was given up."""
    found: list[Found] = []
    if conn.execute(_ANY_GIVEN_UP).first() is None:
        return found  # as on most days: nothing more to look through
    for row in conn.execute(_GIVEN_UP):
        box = addresses.read(row.email)
        if box is None or box.address != row.to_address:
            continue
        who = f"{row.name} ({row.person})" if row.name else row.person
        said = f"no letter gets through to {who}"
        why = " ".join(row.last_answer.split())[:_WORDS]
        what = text_of([item("mail", None, f"{said}: {why}" if why else said)])
        found.append(Found(f"p{row.id}/mail", MAIL_GIVEN_UP, SOON, what, row.id, "", on))
    return found


_failed = select(messages.c.person_id).where(messages.c.state == "given up", messages.c.kind != "test").distinct()
_ANY_GIVEN_UP = _failed.limit(1)
_newest = (
    select(func.max(messages.c.id).label("id"))
    .where(
        messages.c.person_id.in_(_failed),
        messages.c.kind != "test",
        or_(messages.c.state == "sent", messages.c.state == "given up"),
    )
    .group_by(messages.c.person_id, messages.c.to_address)
    .subquery()
)
_GIVEN_UP = (
    select(
        people.c.id,
        people.c.person,
        people.c.name,
        people.c.email,
        messages.c.to_address,
        messages.c.last_answer,
    )
    .join(_newest, _newest.c.id == messages.c.id)
    .join(people, people.c.id == messages.c.person_id)
    .where(messages.c.state == "given up")
    .order_by(people.c.id)
)


def _rounds(conn: Connection, now: datetime) -> list[Found]:
    """The zones of the fleet whose newest finished round is too long ago, or was never."""
    late = silent(conn, zones(conn), now - LATE, now)
    if not late:
        return []
    kept = recent(conn, late, now)
    ended = {zone: its.last.at if its.last is not None else None for zone, its in kept.items()}
    found = []
    founded: datetime = now
    if None in ended.values():
        founded = conn.execute(select(fleet.c.created_at)).scalar_one()
    for zone, last in ended.items():
        if now - (last or founded) <= LATE:
            continue
        since = f"since {last.isoformat(timespec='minutes')}" if last is not None else "yet"
        what = text_of([item("round", None, f"the nightly round of {zone} has not run {since}; dates are old there")])
        found.append(Found(f"z/{zone}", ROUND_MISSED, URGENT, what, None, zone, local_day(now, zone)))
    return found
