"""The sentinel: an event three days ahead that every finished round moves on.

If the service dies nobody moves it, and every subscribed calendar says by itself that the round has not run. Its day
is reckoned from the ledger alone and never from the present time.
"""

from __future__ import annotations

import json
import uuid
from datetime import date, datetime, timedelta
from typing import NamedTuple

from icalendar import Event, Todo
from sqlalchemy import Connection, func, select

from ..reckoning.dates import local_day
from ..rounds.ledger import DONE
from ..rounds.loading import zones
from ..store import happenings
from ..store.tables import fleet, ledger, moves, sites
from .events import blank, on_last_good_day
from .text import one_line

AHEAD = timedelta(days=3)  # further than the longest time that subscribers let pass between two looks
_NO_LETTERS = (
    "The service runs, but the letters it writes do not leave: nobody is told of anything by mail. Look at what is "
    "wrong today on the page, and tell whoever looks after the service. This entry stands until letters go again."
)
_LOOK_BACK = 400  # rows of one zone, a year and some


class Stuck(NamedTuple):
    """What is said of letters that cannot be sent, "" where they can; `at` is when that changed last, `turns` how
    often it has. It is kept when the service finds it, so that a feed is the same until something happens."""

    said: str
    at: datetime | None
    turns: int


def stuck(conn: Connection) -> Stuck:
    """What was found of the letters last."""
    kept = happenings.beat(conn, happenings.LETTERS_STUCK)
    if kept is None:
        return Stuck("", None, 0)
    return Stuck(json.loads(kept.note)["said"] if kept.note else "", kept.at, kept.turns)


class Heard(NamedTuple):
    """The time zone whose newest finished round is the oldest of all.

    `on` is that round's civil date, or the day on which the fleet was set up; `at` the instant at which it ended, or
    the setting up. `ran` is false where the zone has had no round yet.
    """

    zone: str
    on: date
    at: datetime
    ran: bool


def oldest(conn: Connection) -> Heard:
    """What the ledger heard of the zone that has been silent for the longest."""
    created_at: datetime = conn.execute(select(fleet.c.created_at)).scalar_one()
    set_up = Heard("", created_at.date(), created_at, ran=False)
    heard = [found for zone in zones(conn) if (found := newest(conn, zone)) is not None]
    return min(heard, key=lambda found: (found.on, found.zone), default=set_up)


def newest(conn: Connection, zone: str) -> Heard | None:
    """The newest finished round of the zone; else the day on which its units were first reckoned; else None."""
    query = (
        select(ledger.c.on, ledger.c.finished_at)
        .where(ledger.c.zone == zone, ledger.c.state.in_(DONE), ledger.c.finished_at.is_not(None))
        .order_by(ledger.c.on.desc())
    )
    rounds = conn.execute(query.limit(_LOOK_BACK)).all()
    for on, finished_at in rounds:
        # One that was run by hand for a day far ahead promises nothing about the nights until then.
        if on <= local_day(finished_at, zone) + AHEAD:
            return Heard(zone, on, finished_at, ran=True)
    if rounds:
        return Heard(zone, *rounds[0], ran=True)
    of_zone = select(func.min(moves.c.at)).join_from(moves, sites, sites.c.id == moves.c.site_id)
    since: datetime | None = conn.execute(of_zone.where(sites.c.time_zone == zone)).scalar_one()
    return None if since is None else Heard(zone, local_day(since, zone), since, ran=False)


def sequence(conn: Connection, heard: Heard) -> int:
    """Rises by one for each day that the sentinel moves on and each time letters get stuck or free; never falls."""
    created_at, first = conn.execute(select(fleet.c.created_at, select(func.min(ledger.c.on)).scalar_subquery())).one()
    start: date = min(created_at.date(), first or date.max)
    return max(0, (heard.on - start).days + 1) + stuck(conn).turns


def sentinel(
    kind: str,
    heard: Heard,
    uid: str,
    sequence: int,
    changed_at: datetime,
    says: list[str],
    page: str,
    letters: str = "",
) -> Event | Todo:
    """The sentinel of one feed. `says` are further lines, such as how many duties have no date on record.

    `letters` says that they cannot be sent: then it begins on the day of the newest round, so that it stands in the
    calendar today and not only in three days.
    """
    day = heard.on + AHEAD
    if heard.ran:
        title = f"The nightly round has not run since {heard.on}"
        newest = f"Newest finished round: {heard.on} ({one_line(heard.zone)})."
    else:
        title = f"The nightly round has not run since it was set up on {heard.on}"
        newest = "No round has finished yet."
    lines = [
        f"Every finished round moves this entry on to three days ahead. While {day} is still to come, all is as it "
        "should be.",
        "If that day has come, the dates in this calendar are old: the service has stopped, or your calendar program "
        "no longer fetches them. Look at the units and their labels, and tell whoever looks after the service.",
        newest,
        *says,
    ]
    if letters:
        title = letters
        lines.insert(0, _NO_LETTERS)
    made = blank(kind, uid, sequence, changed_at, title, "\n".join(lines), page)
    made.add("categories", ["nightly round"])
    on_last_good_day(made, day, heard.on if letters else day)
    if letters and isinstance(made, Event):
        del made["dtstart"]
        made.add("dtstart", heard.on)
    return made


def uid_of(conn: Connection, feed_uid: str) -> str:
    """The sentinel's UID in a feed: the same for ever."""
    namespace = conn.execute(select(fleet.c.namespace)).scalar_one()
    return str(uuid.uuid5(uuid.UUID(namespace), f"sentinel|{feed_uid}"))
