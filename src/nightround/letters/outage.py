"""Notes from when to when no letter could be sent, and keeps for calendars what they say meanwhile.

Where mail itself is broken no letter can tell of it: the calendars, the health addresses and the log do.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta

from sqlalchemy import Connection

from ..rounds.troubles import OF_MAIL, Trouble
from ..settings import Settings
from ..store import happenings
from ..store.database import raise_version
from ..store.happenings import Kind, said_at


def note(conn: Connection, settings: Settings, now: datetime, *, sent: int, reached: bool, trouble: str) -> None:
    """Writes down how a delivery ended: letters sent, whether a server took a connection, why it cannot be used."""
    if sent:
        happenings.mark(conn, happenings.MAIL, now)
    lost = happenings.beat(conn, happenings.MAIL_LOST)
    was_lost = lost is not None and bool(lost.note)
    if trouble:
        since = lost.at if lost is not None and was_lost and not sent else now
        if lost is None or (since, trouble) != (lost.at, lost.note):
            happenings.mark(conn, happenings.MAIL_LOST, since, trouble, turned=not was_lost)
    elif reached and lost is not None and was_lost:
        happenings.mark(conn, happenings.MAIL_LOST, now, turned=True)
        if now - lost.at >= timedelta(minutes=settings.watch.silence_minutes):
            zone = settings.fleet.time_zone
            said = f"No letter could be sent from {said_at(lost.at, zone)} to {said_at(now, zone)}."
            happenings.record(conn, Kind.MAIL_DOWN, said, now, lost.at)


def tell_calendars(conn: Connection, settings: Settings, found: list[Trouble], now: datetime) -> bool:
    """Keeps what the calendars say of mail that does not go; True where that changed, and with it every feed.

    What is kept stays the same while the trouble lasts, so that subscribers are not given a new event at each look.
    """
    ours = [one for one in found if one.kind in OF_MAIL]
    kept = happenings.beat(conn, happenings.LETTERS_STUCK)
    was = kept is not None and bool(kept.note)
    if bool(ours) == was:
        return False
    said = ""
    if ours:
        since = min((one.since for one in ours if one.since is not None), default=now)
        said = json.dumps(
            {
                "since": since.isoformat(),
                "said": f"Letters cannot be sent since {said_at(since, settings.fleet.time_zone)}",
            }
        )
    happenings.mark(conn, happenings.LETTERS_STUCK, now, said, turned=True)
    raise_version(conn)
    return True
