"""States of the service that must never be silent: what is wrong with it now, since when, and what to do about it.

Read by everything that speaks: the screen, the pages, the health addresses, letters and calendars. What is `said` here
holds counts, days and time zones, and never a name, an address or a unit, because strangers may read it too.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, func, make_url, or_, select

from ..reckoning.dates import local_day, local_instant
from ..settings import Settings
from ..store import happenings
from ..store.happenings import said_at
from ..store.tables import fleet, ledger, log, messages, moves, sites
from .ledger import DONE, age, last_done, newest_on
from .loading import zones
from .pulse import BACK
from .zones import owed_date

LATE = timedelta(hours=28)  # an autumn day has 25 hours
# A round that was killed is taken up by the next look after its lease; only then is it left lying.
LEFT_LYING = timedelta(minutes=10)
_LAST_ROWS = 100  # of each table, looked at for instants that are still to come


class Kind(StrEnum):
    """The kinds, the gravest first."""

    DISK_FULL = "disk-full"
    CLOCK_BACK = "clock-back"
    MAIL_DOWN = "mail-down"
    LETTERS_STUCK = "letters-stuck"
    NOT_RUNNING = "not-running"
    ROUND_UNFINISHED = "round-unfinished"
    ROUND_OWED = "round-owed"
    NOT_TODAY = "not-today"


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong. `since` is None where nobody knows; `cure` is what to do.

    `detail` is for the operator alone: the mail server's words may name people.
    """

    kind: str
    since: datetime | None
    said: str
    cure: str
    detail: str = ""

    @property
    def sentence(self) -> str:
        """What is wrong and what to do, for anybody."""
        return f"{self.said} {self.cure[:1].upper()}{self.cure[1:]}."

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return {
            "kind": self.kind,
            "since": self.since,
            "said": self.said,
            "cure": self.cure,
            "detail": self.detail,
        }


# Of mail itself: what a letter cannot tell, because it would not arrive.
OF_MAIL = (Kind.MAIL_DOWN, Kind.LETTERS_STUCK)


def troubles(conn: Connection, settings: Settings, now: datetime, *, full: bool = False) -> list[Trouble]:
    """All that is wrong now, the gravest first. `full`: a write of this process has just found no room."""
    found = [
        *disk(settings, free_octets(settings), full=full),
        *_clock(conn, settings, now),
        *_mail(conn, settings, now),
        *_running(conn, settings, now),
    ]
    for zone in zones(conn):
        found += _rounds(conn, settings, zone, now)
    order = list(Kind)
    return sorted(found, key=lambda one: order.index(Kind(one.kind)))


def free_octets(settings: Settings) -> int | None:
    """Free space where an SQLite database lies; None for another database, or where the folder cannot be asked."""
    url = make_url(settings.database.url)
    if url.get_backend_name() != "sqlite" or not url.database or not settings.watch.free_mb:
        return None
    try:
        return shutil.disk_usage(settings.path(Path(url.database)).resolve().parent).free
    except OSError:
        return None  # who reads or writes the database says that it is not there


def disk(settings: Settings, free: int | None, *, full: bool) -> list[Trouble]:
    """What the free space means; `free` in octets, None where it is not known."""
    cure = "make room on the disk of the database, or give it a larger one"
    if full:
        return [Trouble(Kind.DISK_FULL, None, "The disk is full: nothing can be written down.", cure)]
    if free is not None and free < settings.watch.free_mb * 1_000_000:
        said = f"The disk is nearly full: {free // 1_000_000} MB are free where the database lies."
        return [Trouble(Kind.DISK_FULL, None, f"{said} Once it is full, nothing can be written down.", cure)]
    return []


def _clock(conn: Connection, settings: Settings, now: datetime) -> Iterator[Trouble]:
    """Whether something on record bears an instant that is still to come."""
    found: list[datetime | None] = []
    for column, table in ((log.c.written_at, log), (ledger.c.finished_at, ledger), (messages.c.created_at, messages)):
        rows = select(column.label("at")).order_by(table.c.id.desc()).limit(_LAST_ROWS).subquery()
        found.append(conn.execute(select(func.max(rows.c.at))).scalar_one())
    back = happenings.last(conn, happenings.Kind.CLOCK_BACK)
    found.append(back.before if back is not None else None)
    newest = max((at for at in found if at is not None), default=None)
    if newest is None or newest - now <= BACK:
        return
    zone = settings.fleet.time_zone
    said = (
        f"The clock went back: it says {said_at(now, zone)}, but something was written down at {said_at(newest, zone)}."
    )
    cure = "set the clock of the machine right; then run: nightround round"
    yield Trouble(Kind.CLOCK_BACK, back.at if back is not None and back.before == newest else None, said, cure)


def _mail(conn: Connection, settings: Settings, now: datetime) -> Iterator[Trouble]:
    zone, cure = settings.fleet.time_zone, "see why with: nightround deliver"
    longest = now - timedelta(minutes=settings.watch.silence_minutes)
    stuck, urgent, since = conn.execute(
        select(func.count(), func.coalesce(func.sum(case((messages.c.urgent, 1), else_=0)), 0), func.min(_since)).where(
            _unsent, _since <= longest
        )
    ).one()
    lost = happenings.beat(conn, happenings.MAIL_LOST)
    if lost is not None and lost.note and lost.at <= longest:
        waiting = conn.execute(select(func.count()).where(_unsent)).scalar_one()
        said = f"No letter can be sent since {said_at(lost.at, zone)}, because the mail server cannot be used; "
        said += f"{_letters(waiting)} in the letter box."
        yield Trouble(Kind.MAIL_DOWN, lost.at, said, cure, lost.note)
    elif stuck:
        said = f"{_letters(stuck, 'could not be sent')} for more than {settings.watch.silence_minutes} minutes, "
        said += f"{urgent} of them urgent; the oldest since {said_at(since, zone)}."
        words = conn.execute(
            select(messages.c.last_answer).where(_unsent, _since <= longest).order_by(_since, messages.c.id).limit(1)
        ).scalar_one()
        yield Trouble(Kind.LETTERS_STUCK, since, said, cure, words)


# Since when a letter that has not gone should have: its first failure; else the moment at which its turn came, so that
# one that is kept for the morning on purpose is not missed at night.
_since: ColumnElement[Any] = func.coalesce(
    messages.c.failing_since,
    case(
        (or_(messages.c.tries > 0, messages.c.last_answer != ""), messages.c.created_at), else_=messages.c.next_try_at
    ),
)
_unsent = messages.c.state.in_(("waiting", "sending"))


def _letters(count: int, what: str = "") -> str:
    if what:
        return f"{'1 letter' if count == 1 else f'{count} letters'} {what}"
    return "1 letter waits" if count == 1 else f"{count} letters wait"


def _running(conn: Connection, settings: Settings, now: datetime) -> Iterator[Trouble]:
    """Whether the service that once looked round has stopped doing so, and nobody runs rounds in its place."""
    looked, ran = happenings.beat(conn, happenings.SERVICE), happenings.beat(conn, happenings.ROUND)
    if looked is None or now - looked.at <= timedelta(minutes=settings.watch.silence_minutes):
        return
    if ran is not None and ran.at > looked.at:
        return
    said = (
        f"The service has not looked round since {said_at(looked.at, settings.fleet.time_zone)}: no round, no letter."
    )
    yield Trouble(Kind.NOT_RUNNING, looked.at, said, "start it; its log says why it stopped")


def _rounds(conn: Connection, settings: Settings, zone: str, now: datetime) -> Iterator[Trouble]:
    at = settings.rounds.at
    owed = owed_date(zone, now, at)
    due = local_instant(owed, at, zone)
    lying: dict[date, datetime] = dict(
        conn.execute(
            select(ledger.c.on, ledger.c.started_at)
            .where(ledger.c.zone == zone, ledger.c.state == "running", ledger.c.lease_until <= now - LEFT_LYING)
            .order_by(ledger.c.on)
        ).all()
    )
    run = "run: nightround round"
    for on, started in lying.items():
        said = f"The round of {on} for {zone} was begun at {said_at(started, zone)} and did not finish."
        yield Trouble(
            Kind.ROUND_UNFINISHED, started, said, run if on >= owed - timedelta(days=1) else f"{run} --on {on}"
        )
    if owed not in lying and not _done_since(conn, zone, (owed, local_day(now, zone)), due):
        known = last_done(conn, zone, owed, due) is not None
        since = due if known else max(due, _known_since(conn, zone))
        if now - since >= timedelta(hours=settings.watch.unfinished_hours):
            said = f"The round of {owed} for {zone} is owed since {said_at(since, zone)} and has not run."
            yield Trouble(Kind.ROUND_OWED, since, said, f"is the service running? {run}")
    other = other_day(conn, zone, now)
    if other is not None:
        said = f"The duties for {zone} are those of {other}, as a round was run by hand; they are not those of today."
        yield Trouble(Kind.NOT_TODAY, None, said, run)


def other_day(conn: Connection, zone: str, now: datetime) -> date | None:
    """The day that the zone's duties are those of, where it is not the present one though a round is not late."""
    old, on = age(conn, zone, now), newest_on(conn, zone)
    if on is None:
        return None
    day = local_day(now, zone)
    late = old is None or old > LATE
    # Until the night's hour has come, yesterday's round is the present one.
    return on if on > day or (not late and on < day - timedelta(days=1)) else None


def _done_since(conn: Connection, zone: str, days: Sequence[date], due: datetime) -> bool:
    """Whether a round for one of the days has ended since its night's hour; by hand it may be the new day's already."""
    query = select(ledger.c.id).where(
        ledger.c.zone == zone, ledger.c.on.in_(days), ledger.c.state.in_(DONE), ledger.c.finished_at >= due
    )
    return conn.execute(query.limit(1)).first() is not None


def _known_since(conn: Connection, zone: str) -> datetime:
    """Since when the zone has units that were reckoned; else since when there is a fleet."""
    first = (
        select(moves.c.at)
        .join_from(moves, sites, and_(sites.c.id == moves.c.site_id, sites.c.time_zone == zone))
        .order_by(moves.c.at)
        .limit(1)
    )
    found: datetime | None = conn.execute(first).scalar_one_or_none()
    if found is not None:
        return found
    created: datetime = conn.execute(select(fleet.c.created_at)).scalar_one()
    return created
