"""States of the service that must never be silent: what is wrong with it now, since when, and what to do about it.

Read by everything that speaks: the screen, the pages, the health addresses, letters and calendars. What is `said` here
holds counts, days and time zones, and never a name, an address or a unit, because strangers may read it too.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, ScalarSelect, bindparam, case, func, make_url, or_, select

from ..reckoning.dates import local_day, local_instant
from ..settings import Settings
from ..store import happenings, marks
from ..store.happenings import Beat, said_at
from ..store.tables import fleet, ledger, log, messages, moves, sites
from ..store.tables import happenings as happened
from ..store.types import Instant
from .loading import zones
from .pulse import BACK
from .recent import Recent, Running, recent
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
    TO_RECKON = "to-reckon"
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
    beats = happenings.all_beats(conn)
    found = [
        *disk(settings, free_octets(settings), full=full),
        *_clock(conn, settings, now, beats.get(happenings.CLOCK)),
        *_mail(conn, settings, now, beats.get(happenings.MAIL_LOST)),
        *_running(settings, now, beats),
        *_to_reckon(conn, settings, now),
        *_rounds(conn, settings, now),
    ]
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


def _newest_of(column: Column[Any]) -> ScalarSelect[datetime | None]:
    rows = select(column.label("at")).order_by(column.table.c.id.desc()).limit(_LAST_ROWS).subquery()
    return select(func.max(rows.c.at)).scalar_subquery()


def _set_back(column: Column[Any]) -> ScalarSelect[datetime | None]:
    told = select(column).where(happened.c.kind == str(happenings.Kind.CLOCK_BACK))
    return told.order_by(happened.c.id.desc()).limit(1).scalar_subquery()


_WRITTEN = select(
    _set_back(happened.c.at),
    _set_back(happened.c.before),
    *(_newest_of(column) for column in (log.c.written_at, ledger.c.finished_at, messages.c.created_at)),
)


def take_clock_for_right(conn: Connection, now: datetime) -> None:
    """Notes that a person ran a round by the clock as it is now: what bears an instant to come is a slip of before."""
    _, before, *others = conn.execute(_WRITTEN).one()
    newest = max((at for at in (before, *others) if at is not None), default=None)
    if newest is not None and newest - now > BACK:
        happenings.mark(conn, happenings.CLOCK, now, newest.isoformat())


def _clock(conn: Connection, settings: Settings, now: datetime, right: Beat | None) -> Iterator[Trouble]:
    """Whether something on record bears an instant that is still to come, and nobody has said that the clock is right
    nevertheless."""
    noticed_at, before, *others = conn.execute(_WRITTEN).one()
    newest = max((at for at in (before, *others) if at is not None), default=None)
    if newest is None or newest - now <= BACK:
        return
    known = right is not None and newest.isoformat() <= right.note
    if known and right is not None and right.at - BACK <= now and (noticed_at is None or noticed_at <= right.at):
        return
    zone = settings.fleet.time_zone
    said = (
        f"The clock went back: it says {said_at(now, zone)}, but something was written down at {said_at(newest, zone)}."
    )
    cure = (
        "look whether it is right now; if it is not, set it right. Then run: nightround round, which takes it for right"
    )
    yield Trouble(Kind.CLOCK_BACK, noticed_at if before == newest else None, said, cure)


# Since when a letter that has not gone should have: its first failure; else the moment at which its turn came, so that
# one that is kept for the morning on purpose is not missed at night.
_since: ColumnElement[Any] = func.coalesce(
    messages.c.failing_since,
    case(
        (or_(messages.c.tries > 0, messages.c.last_answer != ""), messages.c.created_at), else_=messages.c.next_try_at
    ),
)
_unsent = messages.c.state.in_(("waiting", "sending"))
_too_long = _since <= bindparam("b_longest", type_=Instant)
_WAITING = select(func.count()).where(_unsent)
_STUCK = select(
    func.count(), func.coalesce(func.sum(case((messages.c.urgent, 1), else_=0)), 0), func.min(_since)
).where(_unsent, _too_long)
_ANSWERED = select(messages.c.last_answer).where(_unsent, _too_long).order_by(_since, messages.c.id).limit(1)


def _mail(conn: Connection, settings: Settings, now: datetime, lost: Beat | None) -> Iterator[Trouble]:
    zone, cure = settings.fleet.time_zone, "see why with: nightround deliver"
    longest = now - timedelta(minutes=settings.watch.silence_minutes)
    if lost is not None and lost.note and lost.at <= longest:
        waiting = conn.execute(_WAITING).scalar_one()
        said = f"No letter can be sent since {said_at(lost.at, zone)}, because the mail server cannot be used; "
        said += f"{_letters(waiting)} in the letter box."
        yield Trouble(Kind.MAIL_DOWN, lost.at, said, cure, lost.note)
        return
    stuck, urgent, since = conn.execute(_STUCK, {"b_longest": longest}).one()
    if stuck:
        said = f"{_letters(stuck, 'could not be sent')} for more than {settings.watch.silence_minutes} minutes, "
        said += f"{urgent} of them urgent; the oldest since {said_at(since, zone)}."
        words = conn.execute(_ANSWERED, {"b_longest": longest}).scalar_one()
        yield Trouble(Kind.LETTERS_STUCK, since, said, cure, words)


def _letters(count: int, what: str = "") -> str:
    if what:
        return f"{'1 letter' if count == 1 else f'{count} letters'} {what}"
    return "1 letter waits" if count == 1 else f"{count} letters wait"


def _running(settings: Settings, now: datetime, beats: Mapping[str, Beat]) -> Iterator[Trouble]:
    """Whether the service that once looked round has stopped doing so, and nobody runs rounds in its place."""
    looked, ran = beats.get(happenings.SERVICE), beats.get(happenings.ROUND)
    if looked is None or now - looked.at <= timedelta(minutes=settings.watch.silence_minutes):
        return
    if ran is not None and ran.at > looked.at:
        return
    said = (
        f"The service has not looked round since {said_at(looked.at, settings.fleet.time_zone)}: no round, no letter."
    )
    yield Trouble(Kind.NOT_RUNNING, looked.at, said, "start it; its log says why it stopped")


def _to_reckon(conn: Connection, settings: Settings, now: datetime) -> Iterator[Trouble]:
    """Whether something was recorded and nobody has seen since what follows from it."""
    count, since = marks.owing(conn)
    if since is None or now - since <= timedelta(minutes=settings.watch.silence_minutes):
        return
    said = (
        f"What was recorded at {said_at(since, settings.fleet.time_zone)} has not been looked at yet, so that nobody "
    )
    said += f"was told of it; {count} in all {'waits' if count == 1 else 'wait'}."
    yield Trouble(Kind.TO_RECKON, since, said, "is the service running? run: nightround round")


def _rounds(conn: Connection, settings: Settings, now: datetime) -> Iterator[Trouble]:
    kept = recent(conn, zones(conn), now)
    owed = {zone: owed_date(zone, now, settings.rounds.at) for zone in kept}
    due = {zone: local_instant(on, settings.rounds.at, zone) for zone, on in owed.items()}
    missing = {zone for zone in kept if _not_run(kept[zone], zone, owed[zone], due[zone], now)}
    known = _known_since(
        conn, [zone for zone in kept if zone in missing and not kept[zone].done_up_to(owed[zone], due[zone])]
    )
    run = "run: nightround round"
    for zone, its in kept.items():
        on = owed[zone]
        for lying in _left_lying(its, now):
            said = f"The round of {lying.on} for {zone} was begun at {said_at(lying.started_at, zone)} "
            said += "and did not finish."
            cure = run if lying.on >= on - timedelta(days=1) else f"{run} --on {lying.on}"
            yield Trouble(Kind.ROUND_UNFINISHED, lying.started_at, said, cure)
        if zone in missing:
            since = max(due[zone], known.get(zone, due[zone]))
            if now - since >= timedelta(hours=settings.watch.unfinished_hours):
                said = f"The round of {on} for {zone} is owed since {said_at(since, zone)} and has not run."
                yield Trouble(Kind.ROUND_OWED, since, said, f"is the service running? {run}")
        other = other_day(its, zone, now)
        if other is not None:
            said = (
                f"The duties for {zone} are those of {other}, as a round was run by hand; they are not those of today."
            )
            yield Trouble(Kind.NOT_TODAY, None, said, run)


def _left_lying(kept: Recent, now: datetime) -> list[Running]:
    return [one for one in kept.running if one.lease_until is not None and one.lease_until <= now - LEFT_LYING]


def _not_run(kept: Recent, zone: str, owed: date, due: datetime, now: datetime) -> bool:
    """Whether the round that is owed has not ended since its night's hour, and was not left lying either."""
    if any(lying.on == owed for lying in _left_lying(kept, now)):
        return False
    # By hand it may be the new day's already.
    return not any(kept.ended(day, due) for day in (owed, local_day(now, zone)))


def other_day(kept: Recent, zone: str, now: datetime) -> date | None:
    """The day that the zone's duties are those of, where it is not the present one though a round is not late."""
    last = kept.last
    if last is None:
        return None
    day = local_day(now, zone)
    # Until the night's hour has come, yesterday's round is the present one.
    not_late = now - last.at <= LATE
    return last.on if last.on > day or (not_late and last.on < day - timedelta(days=1)) else None


def _known_since(conn: Connection, wanted: Sequence[str]) -> dict[str, datetime]:
    """Since when each of the zones has units that were reckoned; else since when there is a fleet."""
    if not wanted:
        return {}
    found = dict(conn.execute(_RECKONED_SINCE, {"b_zones": wanted}).all())
    if None not in found.values():
        return found
    created: datetime = conn.execute(select(fleet.c.created_at)).scalar_one()
    return {zone: at or created for zone, at in found.items()}


_wanted = select(sites.c.time_zone).where(sites.c.time_zone.in_(bindparam("b_zones", expanding=True))).distinct()
_zone = _wanted.subquery()
# One zone after the other inside the statement: the first move of a new one is found by an index, whatever came later.
_RECKONED_SINCE = select(
    _zone.c.time_zone,
    select(moves.c.at)
    .join_from(moves, sites, sites.c.id == moves.c.site_id)
    .where(sites.c.time_zone == _zone.c.time_zone)
    .order_by(moves.c.at)
    .limit(1)
    .scalar_subquery(),
)
