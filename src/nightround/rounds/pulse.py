"""Notices, from one look round to the next, that the service was away or that its clock was set. Mends nothing.

The database remembers the last look; the process remembers how much time really passed since its own, by a clock that
nobody can set. Only the two together tell a service that was down from a clock that leapt.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlalchemy import Connection

from ..bootstrap import Program
from ..store import happenings
from ..store.happenings import Happening, Kind, said_at
from .ledger import AHEAD

logger = logging.getLogger("nightround.rounds.pulse")

BACK = AHEAD  # what differs by more was set
# Two machines that do not agree would find at each look that the clock went back; once an hour says it.
SAID_AGAIN = timedelta(hours=1)


class Pulse:
    """What one running process remembers between two looks round. `steady` counts seconds and never goes back."""

    def __init__(self, steady: Callable[[], float] = time.monotonic) -> None:
        self._steady = steady
        self._looked: float | None = None
        self._full_since: datetime | None = None

    def look(self, program: Program) -> list[Happening]:
        """Writes down what happened since the last look, and that there is one now; gives what was written."""
        ran = self._steady()
        busy = None if self._looked is None else timedelta(seconds=ran - self._looked)
        settings, now = program.settings, program.clock()
        found: list[Happening] = []
        self.note_full(program)
        mended = self._full_since is not None and program.store.has_room()
        with program.store.write() as conn:
            last = happenings.beat(conn, happenings.SERVICE)
            if last is not None:
                silence = timedelta(minutes=settings.watch.silence_minutes)
                noticed = compare(last.at, now, silence, busy, settings.fleet.time_zone)
                before = happenings.last(conn, noticed.kind) if noticed is not None else None
                if noticed is not None and not _said_already(noticed, before):
                    found.append(happenings.record(conn, noticed.kind, noticed.said, now, noticed.before))
            if mended and self._full_since is not None:
                found.append(_room_again(conn, self._full_since, now, settings.fleet.time_zone))
            happenings.mark(conn, happenings.SERVICE, now)
        self._looked = ran
        if mended:
            self._full_since = None
        for one in found:
            logger.error(one.said, extra={"kind": one.kind})
        return found

    def note_full(self, program: Program) -> None:
        """Remembers since when nothing finds room on the disk; asked at the end of each look, and at the next."""
        if program.store.full and self._full_since is None:
            self._full_since = program.clock()


def compare(last: datetime, now: datetime, silence: timedelta, busy: timedelta | None, zone: str) -> Happening | None:
    """What happened between two looks at `last` and `now`; None where nothing did. Pure.

    `busy`: how long ago this very process looked, by a clock that nobody can set; None for one that just started.
    """
    if last - now > BACK:
        said = (
            f"The clock went back from {said_at(last, zone)} to {said_at(now, zone)}. "
            "What was written in between bears times that are still to come."
        )
        return Happening(now, Kind.CLOCK_BACK, said, last)
    if now - last <= silence:
        return None
    if busy is None:
        said = f"The service did not run from {said_at(last, zone)} to {said_at(now, zone)}."
        return Happening(now, Kind.DOWNTIME, said, last)
    if now - last - busy > silence:
        said = (
            f"The clock went forward from {said_at(last, zone)} to {said_at(now, zone)} while the service ran: "
            "it was set, or the machine slept."
        )
        return Happening(now, Kind.CLOCK_FORWARD, said, last)
    return None  # it was at work all the time


def _room_again(conn: Connection, since: datetime, now: datetime, zone: str) -> Happening:
    said = f"The disk was full from {said_at(since, zone)} to {said_at(now, zone)}: nothing could be written down."
    return happenings.record(conn, Kind.DISK_FULL, said, now, since)


def _said_already(noticed: Happening, before: Happening | None) -> bool:
    return noticed.kind == Kind.CLOCK_BACK and before is not None and abs(noticed.at - before.at) < SAID_AGAIN
