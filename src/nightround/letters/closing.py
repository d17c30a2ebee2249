"""Says to whoever was told of a case that it is closed: once, in one letter, when their hours allow it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, select

from ..cases.climbing import CLOSED, Ladders
from ..reckoning.dates import local_day
from ..rounds.causes import PLAIN
from ..settings import Settings
from ..store.recalling import recall
from ..store.tables import cases, climbs, messages, people, sites, tellings, units
from . import links
from .audience import Reader, readers
from .lists import Cut, chunks
from .planned import Errand
from .templates import say_day, say_instant
from .wording import capital, said

KIND = "closing"
SHOWN = 20
NUMBERS = 3  # case numbers in a subject


class Ended(NamedTuple):
    """A closed case in words."""

    title: str
    word: str
    lines: tuple[str, ...]
    url: str


def errands(
    conn: Connection, settings: Settings, known: Ladders, now: datetime, on: date | None = None
) -> list[Errand]:
    """Who is to be told now that cases are closed, a letter a person."""
    told = _told_of_closed(conn)
    if not told:
        return []
    ids = {row.person_id for row in told if row.person_id is not None}
    by_id = {reader.id: reader for reader in readers(conn, settings, (), ids=ids, at=now)}
    found: dict[str, Errand] = {}
    at_once: set[str] = set()
    for row in told:
        reader = by_id.get(row.person_id) if row.person_id is not None else _address(settings, row.mailbox)
        if reader is None or not reader.reached:
            continue
        ladder = known.of(row.severity, row.site_type or "")
        if on is not None or ladder.allowed(reader.hours(settings), now) <= now:
            at_once.add(reader.mailbox)
        errand = found.get(reader.mailbox)
        if errand is None:
            day = (on or local_day(now, reader.zone)).isoformat()
            errand = found[reader.mailbox] = Errand(reader, day, counts_as=KIND)
        errand.marks[row.case_id] = (row.lap, CLOSED, 0)
        errand.told_at[row.case_id] = row.mailbox
    # A letter that goes anyway takes along what would wait for other hours.
    return [found[mailbox] for mailbox in sorted(at_once)]


def waits(conn: Connection, settings: Settings, now: datetime) -> list[datetime]:
    """The instants after `now` from which on those may be told whose hours do not allow it yet."""
    told = _told_of_closed(conn)
    if not told:
        return []
    known = recall(conn, "ladders", (), lambda: Ladders(settings))
    ids = {row.person_id for row in told if row.person_id is not None}
    by_id = {reader.id: reader for reader in readers(conn, settings, (), ids=ids, at=now)}
    found = []
    for row in told:
        reader = by_id.get(row.person_id) if row.person_id is not None else _address(settings, row.mailbox)
        if reader is not None and reader.reached:
            ladder = known.of(row.severity, row.site_type or "")
            found.append(ladder.allowed(reader.hours(settings), now))
    return [at for at in found if at > now]


def settled(conn: Connection) -> list[int]:
    """The closed cases of which nobody has yet to hear that they are closed."""
    waiting = {row.case_id for row in _told_of_closed(conn)}
    over = recall(conn, "unsettled", (cases, climbs), lambda: conn.execute(_UNSETTLED).scalars().all())
    return [case_id for case_id in over if case_id not in waiting]


_UNSETTLED = (
    select(climbs.c.case_id)
    .join(cases, cases.c.id == climbs.c.case_id)
    .where(cases.c.closed_at.is_not(None), climbs.c.closing_told.is_(False))
)


def _told_of_closed(conn: Connection) -> list[Any]:
    """Case, mailbox and person of everybody who was told of a case that is closed, and not that it is.

    A letter that was given up told nobody anything.
    """
    read = (cases, climbs, messages, sites, tellings)
    return recall(conn, "told of closed", read, lambda: list(conn.execute(_TOLD_OF_CLOSED)))


def _told_statement() -> Select[Any]:
    """Built once: it is asked at every look round."""
    ended = tellings.alias()
    heard = (
        select(ended.c.id)
        .where(
            ended.c.case_id == tellings.c.case_id,
            ended.c.mailbox == tellings.c.mailbox,
            ended.c.rung == CLOSED,
        )
        .exists()
    )
    query = (
        select(
            tellings.c.case_id,
            tellings.c.mailbox,
            tellings.c.person_id,
            climbs.c.lap,
            cases.c.severity,
            sites.c.site_type,
        )
        .select_from(
            climbs.join(cases, cases.c.id == climbs.c.case_id)
            .join(tellings, tellings.c.case_id == climbs.c.case_id)
            .join(messages, messages.c.id == tellings.c.message_id)
            .outerjoin(sites, sites.c.id == cases.c.site_id)
        )
        .where(
            climbs.c.closing_told.is_(False),
            cases.c.closed_at.is_not(None),
            tellings.c.rung != CLOSED,
            messages.c.state != "given up",
            ~heard,
        )
        .distinct()
        .order_by(tellings.c.case_id, tellings.c.mailbox)
    )
    return query


_TOLD_OF_CLOSED = _told_statement()


def _address(settings: Settings, mailbox: str) -> Reader:
    return Reader(0, "", mailbox, mailbox, settings.fleet.time_zone, True, False, frozenset(), settings.fleet.country)


def content(conn: Connection, settings: Settings, errand: Errand, now: datetime) -> tuple[dict[str, Any], list[int]]:
    """What the letter says, and the cases in it, the lowest first."""
    rows = [row for chunk in chunks(sorted(errand.marks)) for row in conn.execute(_details(chunk))]
    ended = tuple(_ended(settings, row, errand.reader.zone) for row in rows[:SHOWN])
    return {
        "ended": Cut(len(rows), ended, len(ended)),
        "first": ended[0].title.partition(", ")[2] if ended else "",
        "numbers": tuple(row.id for row in rows[:NUMBERS]),
        "zone": errand.reader.zone,
        "last_until": say_instant(errand.last_until, errand.reader.zone) if errand.last_until else "",
        "all_url": settings.web.base_url.rstrip("/") + "/cases",
    }, [row.id for row in rows]


def _details(ids: Sequence[int]) -> Any:
    return (
        select(cases, units.c.unit, sites.c.site, sites.c.name.label("site_name"), people.c.name.label("taken_name"))
        .select_from(
            cases.outerjoin(sites, sites.c.id == cases.c.site_id)
            .outerjoin(units, units.c.id == cases.c.unit_id)
            .outerjoin(people, people.c.person == cases.c.taken_by)
        )
        .where(cases.c.id.in_(ids), cases.c.closed_at.is_not(None))
        .order_by(cases.c.id)
    )


def _ended(settings: Settings, row: Any, zone: str) -> Ended:
    place = row.site_name or row.site or settings.fleet.name
    title = f"{row.unit}, {place}" if row.unit else place
    what = tuple(
        f"{capital(said(item['reason'] if item['subject'] in PLAIN else item['subject']))}."
        for item in json.loads(row.what)
        if item["subject"] != "others"
    )
    times = f"Open since {say_day(row.opened_on)}, closed {say_instant(row.closed_at, zone)}."
    if row.taken_by:
        times += f" {row.taken_name or row.taken_by} had it."
    return Ended(f"case {row.id}, {title}", "closed", (*what, times), links.case_url(settings, row.id))
