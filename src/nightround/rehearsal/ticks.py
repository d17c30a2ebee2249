"""Says when the service would next have something to do. Looks only, and leaves out no instant at which it might.

A service looks round every so many seconds (`rounds.tick_seconds`). Here its looks stand on full multiples of that,
counted from midnight UTC. Whoever adds something that falls due by itself adds the instant of it to `_SOURCES`; one
too many costs a look, one too few makes a rehearsal tell less than will happen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..letters.audience import LADDER, WEEKLY_ROLES, readers
from ..letters.errands import OPENING
from ..rounds.loading import zones
from ..rounds.zones import next_instant as next_in_zone
from ..settings import Settings
from ..store.tables import cases, rota
from .post import Post

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_JUST_AFTER = timedelta(microseconds=1)

Source = Callable[[Connection, Settings, datetime], Iterable[datetime]]


def next_instant(program: Program, now: datetime, post: Post) -> datetime:
    """The next look, later than `now`, at which a round, a letter, a step or a try may be owed. UTC.

    There always is one, because every night brings a round or, where no unit stands anywhere, the next day.
    """
    settings = program.settings
    with program.store.read() as conn:
        found = [at for source in _SOURCES for at in source(conn, settings, now) if at > now]
        found += [at for at in post.turns(conn, now) if at > now]
    return tick_at(settings, min(found, default=now + timedelta(days=1)))


def tick_at(settings: Settings, at: datetime) -> datetime:
    """The first look at that instant or later."""
    step = timedelta(seconds=settings.rounds.tick_seconds)
    return _EPOCH - (_EPOCH - at) // step * step


def _rounds(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """The night's hour in each zone in which units stand."""
    for zone in zones(conn):
        yield next_in_zone(zone, now, settings.rounds.at)


def _letter_hours(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """The hour of letters where somebody lives who gets any: the weekly one, and the day's word of what is open."""
    for zone in {reader.zone for reader in readers(conn, settings, (*LADDER, *WEEKLY_ROLES))}:
        yield next_in_zone(zone, now, settings.letters.at)


def _shifts(conn: Connection, _settings: Settings, now: datetime) -> Iterator[datetime]:
    """The next change of who is on call."""
    for edge in (rota.c.from_at, rota.c.until_at):
        yield from conn.execute(select(edge).where(edge > now).order_by(edge).limit(1)).scalars()


def _takings(conn: Connection, _settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody's time with a case is over."""
    query = select(cases.c.taken_until).where(cases.c.closed_at.is_(None), cases.c.taken_until > now)
    yield from conn.execute(query.order_by(cases.c.taken_until).limit(1)).scalars()


def _newcomers(conn: Connection, _settings: Settings, now: datetime) -> Iterator[datetime]:
    """When cases that came in with their units are told like any other."""
    query = select(cases.c.opened_at).where(
        cases.c.closed_at.is_(None), cases.c.found_at_import, cases.c.opened_at >= now - OPENING
    )
    for opened_at in conn.execute(query.order_by(cases.c.opened_at).limit(1)).scalars():
        yield opened_at + OPENING + _JUST_AFTER


_SOURCES: tuple[Source, ...] = (_rounds, _letter_hours, _shifts, _takings, _newcomers)
