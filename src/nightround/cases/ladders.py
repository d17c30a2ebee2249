"""Ladders: who is told about a case, in what order, after how long. Pure: no database, no clock, no letters.

A climb is where a case stands on its ladder. Nothing is skipped because time went by unseen: a step that should have
begun long ago begins now, and the wait for the one after it is counted from then.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple, Protocol

from ..rounds.causes import LONG
from ..waits import Wait
from .hours import Hours

# The words of `settings_cases.Ladder.told` that hold somebody's letter back; "at any hour" holds back nothing.
NOT_QUIET = "outside quiet hours"
WORKING = "in working hours"
# Grades: severities, and between them what is long overdue (`rounds.causes.grade`).
WORSE = {"routine": 0, "soon": 1, LONG: 2, "urgent": 3}
# Where no letter gets through to anybody on the whole ladder it is begun again after this, not after its own wait.
SOON_AGAIN = timedelta(hours=1)
_NOT_BEGUN = -1


class Step(NamedTuple):
    """Whom to tell (roles, `rota`, `person:CODE`, `address:MAILBOX`), how long after the step before began, how often
    again, and after how many times that ends (None: when the next step begins)."""

    who: tuple[str, ...]
    after: Wait
    repeat: Wait | None = None
    stop_after: int | None = None


class Ladder(NamedTuple):
    """The steps for cases of a severity; `told` says at which hours. Ends with the last time of the last step, and is
    begun again when `again` has passed since."""

    severity: str
    told: str
    steps: tuple[Step, ...]
    again: Wait

    def allowed(self, hours: Hours, at: datetime) -> datetime:
        """The first instant, from that one on, at which somebody with those hours may be told."""
        if self.told == NOT_QUIET:
            return hours.first_not_quiet(at)
        if self.told == WORKING:
            return hours.first_working(at)
        return at


class Climb(NamedTuple):
    """Where a case stands: `lap` counts beginnings at the top, `rung` is the index of the step (-1: not begun),
    `turn` counts its repeats from 0. `since` is when the step began, `at` when the turn did, both in UTC; they may
    lie ahead where those to be told are in their quiet hours. `why` the lap began: "", again, taken, raised, or long
    (it has become long overdue). `severity` is the grade of the case when it was last looked at. `fresh` is the lap
    that last began for another reason than "again": whoever was told before it is told anew, as of something new."""

    lap: int
    rung: int
    turn: int
    since: datetime
    at: datetime
    why: str
    severity: str
    fresh: int = 0


class View(Protocol):
    """What a ladder needs to know of the people, as they are at this moment."""

    def reached(self, rung: int) -> bool:
        """Whether a letter could go to anybody of that step."""

    def gets_through(self, climb: Climb) -> bool:
        """Whether the letters of the climb's present turn may still reach anybody."""

    def hours(self, rung: int) -> list[Hours]:
        """The hours of those of that step who can be reached."""


class Move(NamedTuple):
    """What comes next on a ladder, and when."""

    at: datetime
    climb: Climb


def start(severity: str, at: datetime) -> Climb:
    """A climb that has not begun; its first step waits from that instant."""
    return Climb(0, _NOT_BEGUN, 0, at, at, "", severity)


def restart(climb: Climb, at: datetime, why: str, severity: str | None = None) -> Climb:
    """Back before the first step, in a new lap; the first step waits from that instant."""
    lap = climb.lap + 1
    return Climb(lap, _NOT_BEGUN, 0, at, at, why, severity or climb.severity, climb.fresh if why == "again" else lap)


def go_on(ladder: Ladder, climb: Climb, now: datetime, view: View, grade: str = "") -> tuple[Climb, Move | None]:
    """Where the case stands now, and what comes next. Where nobody of the ladder can be reached, the climb is given
    back as it is, and nothing comes next.

    A case whose grade (left out: the ladder's severity) has become worse begins at the top.
    """
    if not any(view.reached(rung) for rung in range(len(ladder.steps))):
        return climb, None
    grade = grade or ladder.severity
    if WORSE[grade] > WORSE.get(climb.severity, 0):
        climb = restart(climb, now, LONG if grade == LONG else "raised", grade)
    elif grade != climb.severity:
        climb = climb._replace(severity=grade)
    # The settings may have shortened the ladder since.
    climb = climb._replace(rung=min(climb.rung, len(ladder.steps) - 1))
    # A clock that went back would keep everybody waiting for the time it had been.
    if climb.rung != _NOT_BEGUN and climb.at > max(now, _told_from(ladder, climb, now, view)):
        climb = climb._replace(since=now, at=now)
    # At most the whole ladder, and its first step anew: each move begins a step later than the one before.
    for _ in range(len(ladder.steps) + 2):
        move = next_move(ladder, climb, now, view)
        if move is None or move.at > now:
            return climb, move
        climb = move.climb
    return climb, None


def next_move(ladder: Ladder, climb: Climb, now: datetime, view: View) -> Move | None:
    """What comes next and when: a repeat, the next step, or the top again. `now` stands for "at once".

    None where nobody of the whole ladder can be reached.
    """
    steps = ladder.steps
    if climb.rung == _NOT_BEGUN:
        due = _waited(climb.since, steps[0].after, view.hours(0))
        return Move(due, _begin(ladder, climb, 0, max(due, now), view))
    moves = []
    passed = not view.reached(climb.rung) or not view.gets_through(climb)
    if climb.rung + 1 < len(steps):
        following = climb.rung + 1
        due = now if passed else _waited(climb.since, steps[following].after, view.hours(following))
        moves.append(Move(due, _begin(ladder, climb, following, max(due, now), view)))
    step = steps[climb.rung]
    repeats = step.repeat is not None and (step.stop_after is None or climb.turn + 1 < step.stop_after)
    if repeats and not passed:
        assert step.repeat is not None
        due = _waited(climb.at, step.repeat, view.hours(climb.rung))
        at = max(due, now)
        if step.repeat.every:
            # The turn belongs to the hour of letters, also where it is found later: each reader has it at theirs.
            at = due
            while (later := _waited(at, Wait(every=1), view.hours(climb.rung))) <= now:
                at = later
        else:
            at = _told_from(ladder, climb, at, view)
        moves.append(Move(due, climb._replace(turn=climb.turn + 1, at=at)))
    if climb.rung + 1 == len(steps) and (passed or not repeats):
        anybody = [one for rung in range(len(steps)) for one in view.hours(rung)]
        due = _waited(climb.at, ladder.again, view.hours(climb.rung) or anybody)
        if not any(view.gets_through(climb._replace(rung=rung)) for rung in range(len(steps))):
            due = min(due, climb.at + SOON_AGAIN)
        top = restart(climb, max(due, now), "again")
        moves.append(Move(due, _begin(ladder, top, 0, max(due, now), view)))
    return min(moves, key=lambda move: move.at, default=None)


def pass_on(ladder: Ladder, climb: Climb, at: datetime, view: View) -> Climb | None:
    """The climb on the next step that reaches anybody, which begins at once; None where there is none."""
    for rung in range(climb.rung + 1, len(ladder.steps)):
        if view.reached(rung):
            return _begin(ladder, climb, rung, at, view)
    return None


def ready(ladder: Ladder, climb: Climb, hours: Hours, now: datetime) -> datetime:
    """From when on somebody with those hours may be told at the present turn; `now` or later.

    What repeats by the day comes at each reader's own hour of letters.
    """
    repeat = ladder.steps[climb.rung].repeat
    begun = hours.next_letters(climb.at) if climb.turn and repeat is not None and repeat.every else climb.at
    return ladder.allowed(hours, max(begun, now))


def _begin(ladder: Ladder, climb: Climb, rung: int, at: datetime, view: View) -> Climb:
    """The climb on that step, which begins when somebody of it may first be told."""
    begun = climb._replace(rung=rung, turn=0, since=at, at=at)
    first = _told_from(ladder, begun, at, view)
    return begun._replace(since=first, at=first)


def _told_from(ladder: Ladder, climb: Climb, at: datetime, view: View) -> datetime:
    return min((ladder.allowed(hours, at) for hours in view.hours(climb.rung)), default=at)


def _waited(start: datetime, wait: Wait, hours: list[Hours]) -> datetime:
    """When the wait is over for the first of those people; without anybody, by the clock."""
    if not hours:
        return start + timedelta(minutes=wait.minutes, days=wait.every + wait.days)
    return min(one.after(start, wait) for one in hours)
