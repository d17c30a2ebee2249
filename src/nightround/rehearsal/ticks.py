"""Says when the service would next have something to do. Looks only, and leaves out no instant at which it might.

A service looks round every so many seconds (`rounds.tick_seconds`). Here its looks stand on full multiples of that,
counted from midnight UTC. Whoever adds something that falls due by itself adds the instant of it to `_SOURCES`; one
too many costs a look, one too few makes a rehearsal tell less than will happen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, bindparam, select

from ..bootstrap import Program
from ..cases.absences import absences_between
from ..cases.rota import Rota
from ..letters import brake, closing
from ..letters.audience import WEEKLY_ROLES, readers
from ..letters.box import Outcome
from ..reckoning.dates import local_day, local_instant
from ..register.leaving import goings
from ..rounds.causes import MAIL_GIVEN_UP
from ..rounds.loading import zones
from ..rounds.zones import next_instant as next_in_zone
from ..settings import Settings
from ..store.recalling import Recalled, Stamp, recall
from ..store.tables import (
    beats,
    case_events,
    cases,
    conditions,
    duties,
    fleet,
    happenings,
    ledger,
    marks,
    metadata,
    moves,
    people,
    sessions,
    used_links,
)
from ..store.types import Instant
from .post import Post

AHEAD = timedelta(days=14)  # how far rota and absences are looked through for the next change
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Source = Callable[[Connection, Settings, datetime], Iterable[datetime]]


class Ahead:
    """When something may have to be done besides rounds, for as long as nothing is written that it depends on.

    Only for a copy that nobody else writes to.
    """

    def __init__(self, program: Program, recalled: Recalled, post: Post) -> None:
        self._program = program
        self._recalled = recalled
        self._post = post
        self._until: datetime | None = None
        self._zones: list[str] = []
        self._stamp: Stamp | None = None

    def calm(self, now: datetime) -> bool:
        """Whether there is nobody to be told and nothing to be sent at that instant: nothing has been written since
        the last look ahead, and nothing that it saw has come."""
        return self._until is not None and now < self._until and self._recalled.stamp(_TOLD_BY) == self._stamp

    def next_look(self, now: datetime, step_at: datetime | None, outcomes: Sequence[Outcome]) -> datetime:
        """The next look, later than `now`, at which a round, a letter, a step or a try may be owed. UTC.

        `step_at` is what the look at `now` gave as its `next_at`, `outcomes` what became of letters since. There
        always is a next look, because every night brings a round or, where there is no site, the next day.
        """
        settings = self._program.settings
        if not self.calm(now):
            with self._program.store.read() as conn:
                self._until = self._look_ahead(conn, now, step_at, outcomes)
                self._zones = zones(conn)
            self._stamp = self._recalled.stamp(_TOLD_BY)
        # The night's hour in each zone that has a round.
        found = [next_in_zone(zone, now, settings.rounds.at) for zone in self._zones]
        if self._until is not None:
            found.append(self._until)
        return tick_at(settings, min(found, default=now + timedelta(days=1)))

    def _look_ahead(
        self, conn: Connection, now: datetime, step_at: datetime | None, outcomes: Sequence[Outcome]
    ) -> datetime:
        settings = self._program.settings
        if _has_consequence(conn, outcomes):
            return now + timedelta(seconds=settings.rounds.tick_seconds)
        found = [at for source in _SOURCES for at in source(conn, settings, now)]
        found += self._post.turns(conn, now)
        if step_at is not None:
            found.append(step_at)
        return min((at for at in found if at > now), default=now + AHEAD)


def _has_consequence(conn: Connection, outcomes: Sequence[Outcome]) -> bool:
    """Whether what became of letters changes what the very next look finds: one given up is the next step's turn, and
    one that goes to somebody whose mail had been given up says that letters get through again."""
    if any(became.state == "given up" for became in outcomes):
        return True
    if not any(became.state == "sent" for became in outcomes):
        return False
    return conn.execute(_ANY_GIVEN_UP).first() is not None


_ANY_GIVEN_UP = select(cases.c.id).where(cases.c.closed_at.is_(None), cases.c.kind == MAIL_GIVEN_UP).limit(1)


def tick_at(settings: Settings, at: datetime) -> datetime:
    """The first look at that instant or later."""
    step = timedelta(seconds=settings.rounds.tick_seconds)
    return _EPOCH - (_EPOCH - at) // step * step


def _weekly_letters(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """The hour of the weekly letter where somebody lives who gets one."""
    for zone in {reader.zone for reader in readers(conn, settings, WEEKLY_ROLES, at=now)}:
        today = local_day(now, zone)
        day = today + timedelta(days=settings.letters.weekday - today.isoweekday())
        for later in (0, 7, 14):
            yield local_instant(day + timedelta(days=later), settings.letters.at, zone)


def _taken(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody's time with a case is over."""
    yield from conn.execute(_TAKEN_UNTIL, {"b_now": now}).scalars()


_TAKEN_UNTIL = select(cases.c.taken_until).where(
    cases.c.closed_at.is_(None), cases.c.taken_until > bindparam("b_now", type_=Instant)
)


def _watches(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When others have the watch."""
    found = Rota.around(conn, settings, now, AHEAD).next_change(now)
    if found is not None:
        yield found


def _absences(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody goes away or comes back."""
    for absence in absences_between(conn, now, now + AHEAD, settings.fleet.time_zone):
        yield absence.from_at
        yield absence.until_at


def _goings(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody's last day is over."""
    if recall(conn, "anybody leaves", (people,), lambda: conn.execute(_ANYBODY_LEAVES).first() is not None):
        yield from goings(conn, settings.fleet.time_zone, now)


_ANYBODY_LEAVES = select(people.c.id).where(people.c.left_on.is_not(None)).limit(1)


def _room(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When the flood brake has room again, where the last hour was so full that something may be held back."""
    yield from brake.Hour(conn, settings, now).freed()


_SOURCES: tuple[Source, ...] = (_weekly_letters, _taken, _watches, _absences, _goings, _room, closing.waits)
# What every round writes, and what only says what became of something: nobody is told on account of it. All other
# tables may decide who is told of what, and which letter goes.
_TELLS_NOBODY = (beats, case_events, conditions, duties, fleet, happenings, ledger, marks, moves, sessions, used_links)
_TOLD_BY = tuple(table for table in metadata.sorted_tables if table not in _TELLS_NOBODY)
