"""Rehearses the coming days: rounds, letters and their delivery on a copy in memory, with a clock that jumps.

Everything is decided by the code that decides it in the service: `sweeping.look_round`, the letter box, what an
answer means for a letter. Only the clock, the database and the mail server are others. Writes nothing, sends nothing.
"""

from __future__ import annotations

import gc
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..errors import UserError
from ..letters.compose import outlines
from ..reckoning.dates import local_day, local_instant
from ..rounds.rulebook import load as load_rulebook
from ..store.memory import copy_in_memory
from ..store.recalling import Recalled
from ..store.tables import messages
from ..sweeping import look_round
from .happening import happen
from .post import Post
from .programme import Findings, Programme, programme
from .supposed import Supposed, read_supposed
from .ticks import Ahead, tick_at

LONGEST_DAYS = 400

Progress = Callable[[int, int | None], None]


@dataclass(frozen=True, slots=True)
class Days:
    """What is rehearsed: from `start` to before `end`. `later` where it does not begin now."""

    start: datetime
    end: datetime
    later: bool

    @property
    def number(self) -> int:
        return max(1, round((self.end - self.start) / timedelta(days=1)))


class _Clock:
    """A clock that stands where the rehearsal has put it."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


def coming_days(program: Program, days: int, first: date | None = None) -> Days:
    """So many days from now on, or from the beginning of a later day in the fleet's zone.

    They end at the hour at which they began, by the clock of the fleet's zone. Raises UserError for a day that is past
    and for too many days.
    """
    zone, now = program.settings.fleet.time_zone, program.clock()
    if not 1 <= days <= LONGEST_DAYS:
        raise UserError(f"--days {days} cannot be rehearsed; give a number from 1 to {LONGEST_DAYS}")
    today = local_day(now, zone)
    if first is not None and first < today:
        raise UserError(f"--from {first} is past; give today, {today}, or a later day")
    if first is None or first == today:
        hour = now.astimezone(ZoneInfo(zone)).time()
        return Days(now, local_instant(today + timedelta(days=days), hour, zone), later=False)
    return Days(
        local_instant(first, time(), zone), local_instant(first + timedelta(days=days), time(), zone), later=True
    )


def rehearse(
    program: Program, days: Days, suppose: Path | None = None, progress: Progress = lambda done, total: None
) -> Programme:
    """Who would get what, when, in those days, with what the file supposes.

    Raises UserError where the file, a template or a rule pack is wrong.
    """
    supposed = Supposed()
    if suppose is not None:
        with program.store.read() as conn:
            supposed = read_supposed(conn, program.settings, suppose, days.start, days.end)
    with _quiet(), _collected_rarely(), outlines(), copy_in_memory(program.store) as store:
        clock = _Clock(days.start)
        return _run(Program(program.settings, store, clock), store.recalled, clock, days, supposed, progress)


def _run(
    program: Program, recalled: Recalled, clock: _Clock, days: Days, supposed: Supposed, progress: Progress
) -> Programme:
    settings = program.settings
    post = Post(settings, supposed.outages, supposed.refusals)
    ahead = Ahead(program, recalled, post)
    book = load_rulebook(settings)
    findings = Findings()
    with program.store.read() as conn:
        before = _settled_before(conn)
    coming = list(supposed.events)
    tick = tick_at(settings, days.start)
    while tick < days.end:
        while coming and coming[0].at <= tick:
            event = coming.pop(0)
            clock.now = event.at
            findings.note(event.at, happen(program, event))
        clock.now = tick
        looked = look_round(program, calm=lambda: ahead.calm(program.clock()), book=book)
        for result in looked.rounds:
            findings.add(tick, (f"unit {found['unit']} set aside: {found['why']}" for found in result.findings))
        if looked.calm:
            findings.go_on(tick)
            outcomes = []
        else:
            findings.untold(tick, looked.findings)
            outcomes = post.deliver(program)
            findings.given_up(tick, outcomes)
        progress(min(days.number, (tick - days.start) // timedelta(days=1)), days.number)
        tick = ahead.next_look(tick, looked.next_at, outcomes)
        if coming:
            tick = min(tick, tick_at(settings, coming[0].at))
    if days.later:
        findings.notes.append(
            f"begins on {days.start.isoformat(timespec='minutes')}: what happens between now and then is not rehearsed"
        )
    clock.now = days.end
    with program.store.read() as conn:
        return programme(conn, days.start, days.end, before, findings)


def _settled_before(conn: Connection) -> set[int]:
    """The messages that had come to their end before the rehearsal began."""
    query = select(messages.c.id).where(messages.c.state.in_(("sent", "given up")))
    return set(conn.execute(query).scalars())


@contextmanager
def _collected_rarely() -> Iterator[None]:
    """Thousands of statements leave millions of small values, hardly one of them in a cycle; looking through them all
    time and again takes a good part of a rehearsal."""
    before = gc.get_threshold()
    gc.set_threshold(20_000, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*before)


@contextmanager
def _quiet() -> Iterator[None]:
    """Nothing that happens on paper goes into the log, where it would read as if it had happened."""
    ours = logging.getLogger("nightround")
    level = ours.level
    ours.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        ours.setLevel(level)
