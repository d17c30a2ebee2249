"""What a letter says of the service itself: what is wrong with it now, and what happened to it lately. Old news first.

Everybody may read it: it names no unit, no place and no person.
"""

from __future__ import annotations

from collections.abc import Container
from datetime import datetime

from sqlalchemy import Connection

from ..rounds.troubles import troubles
from ..settings import Settings
from ..store import happenings
from .templates import say_count

SHOWN = 6


def lines(conn: Connection, settings: Settings, now: datetime, leave_out: Container[str] = ()) -> tuple[str, ...]:
    """A sentence or two for each thing that is wrong with the service now, the gravest first; empty when none is.

    `leave_out`: kinds of trouble that the letter says in words of its own.
    """
    return tuple(one.sentence for one in troubles(conn, settings, now) if one.kind not in leave_out)


def happened(conn: Connection, after: datetime | None) -> tuple[str, ...]:
    """What happened to the service since that instant, the newest few in their order; for a first letter nothing."""
    if after is None:
        return ()
    said = [one.said for one in happenings.since(conn, after)]
    if len(said) <= SHOWN:
        return tuple(said)
    return (f"{say_count(len(said) - SHOWN, 'earlier thing')} happened to the service.", *said[-SHOWN:])
