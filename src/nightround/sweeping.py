"""One look round: what was recorded and is not reckoned, the rounds that are owed, then the letters that follow from
them. The daemon's tick and `round`."""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from .bootstrap import Program
from .cases import fleetwide
from .cases.rota.kept import keep as keep_rota
from .letters import outage, telling, weekly
from .letters.delivery import Delivered, Stop, deliver
from .letters.delivery import Progress as Sending
from .register import sessions, strangers
from .rounds.loading import zones
from .rounds.marked import take_up
from .rounds.pulse import Pulse
from .rounds.rulebook import RuleBook
from .rounds.rulebook import load as load_rulebook
from .rounds.tonight import Progress, RoundResult, Stopped, run_owed, run_round
from .rounds.troubles import Trouble, troubles
from .store import happenings
from .store.happenings import Happening
from .store.workshop import sweep

logger = logging.getLogger("nightround.sweeping")

LOGGED_AGAIN = timedelta(hours=1)  # a trouble that lasts is logged that often


@dataclass(slots=True)
class LookedRound:
    """What one look round did."""

    rounds: list[RoundResult] = field(default_factory=list)
    taken_up: RoundResult | None = None  # of what was recorded before and not reckoned; None: there was nothing
    messages: int = 0
    happenings: list[Happening] = field(default_factory=list)  # what was noticed before anything was done
    findings: list[str] = field(default_factory=list)  # who should have been told and cannot be
    calm: bool = False  # nobody was looked for who might have to be told
    next_at: datetime | None = None  # when more of what was looked for may be owed, as far as it is only the time


def look_round(
    program: Program,
    halted: Callable[[], bool] = lambda: False,
    pulse: Pulse | None = None,
    calm: Callable[[], bool] = lambda: False,
    book: RuleBook | None = None,
) -> LookedRound:
    """Runs what is owed now and stores the letters that are owed now. Decides nothing before all rounds are done.

    Once `halted` says so, the batch or letter in hand is finished and nothing more is begun (`Stopped` is raised
    where that broke a round off); what is left is owed again at the next start. `pulse` is what a process that looks
    round again and again remembers of the time before; without it nobody asks whether the service was away. `calm` is
    asked after the rounds: whether it is known that no letter can be owed, so that none is looked for. `book` holds the
    rules for the rounds (default: as the files now have them).
    """

    def still(_: int) -> None:
        if halted():
            raise Stopped

    # Before the rounds and letters, so that these can say what happened.
    happened = pulse.look(program) if pulse is not None else []
    done = LookedRound(happenings=happened)
    try:
        try:
            done.taken_up = take_up(program, book, still, patient=True)
        finally:
            # What cannot be reckoned by day must not keep back the night.
            if not halted():
                done.rounds = run_owed(program, book, progress=still)
    except Stopped:
        raise
    except Exception:
        # A night that fails is itself something to tell, and what it found before it failed still holds.
        letters(program, halted=halted)
        raise
    done.calm = calm()
    if not done.calm:
        letters(program, halted=halted, done=done)
    return done


def rounds_on(
    program: Program, on: date, only: Sequence[str] | None = None, progress: Progress | None = None
) -> LookedRound:
    """The rounds of one civil date in every zone of the fleet (or in `only`), and the letters of that date."""
    book = load_rulebook(program.settings)
    with program.store.read() as conn:
        wanted = [zone for zone in zones(conn) if only is None or zone in only]
    done = LookedRound(taken_up=take_up(program, book))
    for zone in wanted:
        result = run_round(program, zone, on, book, progress, again=True)
        done.rounds.append(result or RoundResult(on, zone, in_other_hands=True))
    letters(program, on, done=done)
    return done


def letters(
    program: Program,
    on: date | None = None,
    halted: Callable[[], bool] = lambda: False,
    done: LookedRound | None = None,
) -> int:
    """Opens and closes the cases of no one site, then stores every letter owed, for now or for a civil date.

    Says how many letters. That, and who should have been told and cannot be, is added to `done`; both are in the log.
    """
    done = done or LookedRound()
    now = program.clock()
    keep_rota(program)
    fleetwide.look(program, now)
    try:
        swept = telling.tell(program, now, on=on, halted=halted)
        done.messages += swept.letters
        done.findings += swept.findings
        done.next_at = swept.next_at
    finally:
        # A template of one kind that is broken must not keep back letters of the other.
        posted = weekly.post(program, now, on=on, halted=halted)
        done.messages += posted.letters
        done.findings += posted.findings
    return done.messages


def deliver_and_tell(
    program: Program, *, stop: Stop | None = None, everything: bool = False, progress: Sending | None = None
) -> Delivered:
    """Sends what waits. Where a letter is given up, whoever comes next is told at once, and that is sent too.

    Raises UserError where a mail setting or a template is wrong.
    """
    done = last = deliver(program, stop=stop, everything=everything, progress=progress)
    while last.given_up and not (stop is not None and stop.is_set()):
        tell_next(program)
        if last.trouble:
            break
        last = deliver(program, stop=stop, progress=progress)
        done = Delivered(done.sent + last.sent, last.waiting, (*done.given_up, *last.given_up), last.trouble)
    return done


def tell_next(program: Program, halted: Callable[[], bool] = lambda: False) -> int:
    """Stores the letters that are owed because others were given up; says how many."""
    now = program.clock()
    fleetwide.look(program, now)
    return telling.tell(program, now, halted=halted).letters


def note_copies(program: Program, folder: Path) -> None:
    """Notes where a copy of the register is begun, so that the service can sweep there if that is killed."""
    name = happenings.COPIES + hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]
    try:
        with program.store.write() as conn:
            happenings.mark(conn, name, program.clock(), str(folder))
    except DBAPIError as error:
        # The copy is worth more than the note, above all where the disk of the database is full.
        logger.info("folder of copies not noted", extra={"folder": str(folder), "why": str(error.orig)})


def speak_up(program: Program, logged: dict[str, datetime] | None = None) -> list[Trouble]:
    """Says what is wrong with the service where it can be said without mail: in the log and in the calendars.

    `logged` is what a process that looks again and again remembers: kind of trouble → when it was logged last. Without
    it nothing is logged: whoever asked says it himself.
    """
    now = program.clock()
    with program.store.read() as conn:
        found = troubles(conn, program.settings, now, full=program.store.full)
    if logged is not None:
        _log(found, logged, now)
    with program.store.write() as conn:
        outage.tell_calendars(conn, program.settings, found, now)
    return found


def tidy(program: Program) -> None:
    """Ends the sessions that are over, forgets whence strangers' reports came, and takes away what killed copies of the
    database have left in the folders that are noted. Writes only where there is cause."""
    now, zone = program.clock(), program.settings.fleet.time_zone
    with program.store.read() as conn:
        beats = happenings.all_beats(conn)
        due = bool(sessions.over(conn, zone, now)) or strangers.is_old(conn, now)
    if due:
        with program.store.write() as conn:
            sessions.sweep(conn, zone, now)
            strangers.forget(conn, now)
    for name, beat in beats.items():
        if name.startswith(happenings.COPIES):
            sweep(Path(beat.note))


def _log(found: list[Trouble], logged: dict[str, datetime], now: datetime) -> None:
    for trouble in found:
        last = logged.get(trouble.kind)
        if last is None or not timedelta() <= now - last < LOGGED_AGAIN:
            logged[trouble.kind] = now
            logger.error(trouble.said, extra={"kind": trouble.kind, "cure": trouble.cure, "detail": trouble.detail})
    for kind in logged.keys() - {trouble.kind for trouble in found}:
        del logged[kind]
        logger.warning("trouble over", extra={"kind": kind})
