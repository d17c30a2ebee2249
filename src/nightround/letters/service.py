"""What a letter says of the service itself: what is wrong with it now, and what happened to it lately. Old news first.

Everybody may read it: it names no unit, no place and no person.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from datetime import datetime

from sqlalchemy import Connection

from ..rounds.troubles import Trouble, troubles
from ..settings import Settings
from ..store import happenings
from .templates import say_count

SHOWN = 6


def lines(conn: Connection, settings: Settings, now: datetime) -> tuple[str, ...]:
    """A sentence or two for each thing that is wrong with the service now, the gravest first; empty when none is.

    Looks through the whole letter box: whoever writes many letters asks once for all of them.
    """
    return said(troubles(conn, settings, now))


def said(found: Iterable[Trouble], leave_out: Container[str] = ()) -> tuple[str, ...]:
    """The same, of troubles that were found already; `leave_out` are kinds that the letter says in its own words."""
    return tuple(one.sentence for one in found if one.kind not in leave_out)


def happened(conn: Connection, after: datetime | None) -> tuple[str, ...]:
    """What happened to the service since that instant, the newest few in their order; for a first letter nothing."""
    if after is None:
        return ()
    words = [one.said for one in happenings.since(conn, after)]
    if len(words) <= SHOWN:
        return tuple(words)
    return (f"{say_count(len(words) - SHOWN, 'earlier thing')} happened to the service.", *words[-SHOWN:])
