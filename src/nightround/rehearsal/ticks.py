"""Says when the service would next have something to do. Looks only, and leaves out no instant at which it might.

A service looks round every so many seconds (`rounds.tick_seconds`). Here its looks stand on full multiples of that,
counted from midnight UTC. Whoever adds something that falls due by itself adds the instant of it to `_SOURCES`; one
too many costs a look, one too few makes a rehearsal tell less than will happen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, func, select

from ..bootstrap import Program
from ..cases.absences import absences_between
from ..letters import brake, closing
from ..letters.audience import ABOUT_CASES, WEEKLY_ROLES, readers
from ..letters.box import Outcome
from ..letters.errands import AHEAD, next_step
from ..reckoning.dates import local_day, local_instant
from ..register.leaving import goings
from ..rounds.causes import MAIL_GIVEN_UP
from ..rounds.loading import zones
from ..rounds.zones import next_instant as next_in_zone
from ..settings import Settings
from ..store.tables import cases, messages
from .post import Post

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

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


def has_consequence(program: Program, outcomes: Sequence[Outcome]) -> bool:
    """Whether what became of letters changes what the very next look finds: one given up is the next step's turn, and
    one that goes to somebody whose mail had been given up says that letters get through again."""
    if any(became.state == "given up" for became in outcomes):
        return True
    if not any(became.state == "sent" for became in outcomes):
        return False
    query = select(cases.c.id).where(cases.c.closed_at.is_(None), cases.c.kind == MAIL_GIVEN_UP).limit(1)
    with program.store.read() as conn:
        return conn.execute(query).first() is not None


def tick_at(settings: Settings, at: datetime) -> datetime:
    """The first look at that instant or later."""
    step = timedelta(seconds=settings.rounds.tick_seconds)
    return _EPOCH - (_EPOCH - at) // step * step


def _rounds(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """The night's hour in each zone in which units stand."""
    for zone in zones(conn):
        yield next_in_zone(zone, now, settings.rounds.at)


def _weekly_letters(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """The hour of the weekly letter where somebody lives who gets one."""
    for zone in {reader.zone for reader in readers(conn, settings, WEEKLY_ROLES, at=now)}:
        today = local_day(now, zone)
        day = today + timedelta(days=settings.letters.weekday - today.isoweekday())
        for later in (0, 7, 14):
            yield local_instant(day + timedelta(days=later), settings.letters.at, zone)


def _steps(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When a case goes on to another step, a quiet hour ends, others have the watch, or a taking is over."""
    found = next_step(conn, settings, now)
    if found is not None:
        yield found


def _absences(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody goes away or comes back."""
    for absence in absences_between(conn, now, now + AHEAD, settings.fleet.time_zone):
        yield absence.from_at
        yield absence.until_at


def _goings(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When somebody's last day is over."""
    yield from goings(conn, settings.fleet.time_zone, now)


def _room(conn: Connection, settings: Settings, now: datetime) -> Iterator[datetime]:
    """When the flood brake has room again, where the last hour was so full that something may be held back."""
    query = select(func.lower(messages.c.to_address), messages.c.created_at).where(
        messages.c.created_at > now - brake.HOUR, messages.c.kind.in_(ABOUT_CASES)
    )
    gone = [(mailbox, at) for mailbox, at in conn.execute(query)]
    most = max(Counter(mailbox for mailbox, _ in gone).values(), default=0)
    if most >= settings.cases.person_hour - 1 or len(gone) >= settings.cases.fleet_hour - 1:
        yield from (at + brake.HOUR for _, at in gone)


_SOURCES: tuple[Source, ...] = (_rounds, _weekly_letters, _steps, _absences, _goings, _room, closing.waits)
