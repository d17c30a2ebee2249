"""What one sweep is to do, as values: who is told what, and which cases go on to another step. Decides nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from ..cases.climbing import Change
from .audience import Reader
from .resting import Resting

Mark = tuple[int, int, int]  # lap, rung and turn under which somebody is told


@dataclass(slots=True)
class Errand:
    """What one person is to be told in one letter. `day` is the civil day in their zone, ISO.

    `marks` has the cases, with the step under which each is told; `before` holds those they were told of earlier;
    `whys` the words of the ladder that call them, `gaps` who should have been told before them, `laps` those that
    come from the top of their ladder again because nobody took them, `worse` those that do because they have become
    long overdue.
    """

    reader: Reader
    day: str
    marks: dict[int, Mark] = field(default_factory=dict)
    before: set[int] = field(default_factory=set)
    whys: set[str] = field(default_factory=set)
    gaps: dict[str, None] = field(default_factory=dict)  # in the order of the ladder
    laps: set[int] = field(default_factory=set)
    worse: set[int] = field(default_factory=set)
    # For closed cases: the mailbox that was told of each.
    told_at: dict[int, str] = field(default_factory=dict)
    counts_as: str = ""  # which limit of an hour (`letters.brake`)
    urgent: bool = False  # tells somebody of something urgent for the first time: never held
    # Filled in by the brake: until when this mailbox gets no more, and whose letters this one stands for.
    last_until: datetime | None = None
    stands_for: tuple[str, ...] = ()

    @property
    def case_ids(self) -> list[int]:
        return list(self.marks)

    def take_in(self, other: Errand) -> None:
        """Makes this letter say what another to the same reader would have said of open cases, too."""
        self.marks |= {case_id: mark for case_id, mark in other.marks.items() if mark[1] >= 0}
        self.before |= other.before
        self.whys |= other.whys
        self.gaps |= other.gaps
        self.laps |= other.laps
        self.worse |= other.worse
        self.urgent = self.urgent or other.urgent
        self.last_until = self.last_until or other.last_until


class Held(NamedTuple):
    """A letter that the limit of an hour keeps back; `limit` is the setting, `room_at` when there is room again."""

    errand: Errand
    kind: str
    limit: str
    room_at: datetime


@dataclass(frozen=True, slots=True)
class Plan:
    """Who is told what, which cases go on to another step for it, what nobody can be told, and what is kept back.

    `next_at` is when, with the same people, a case next goes on to another step or somebody's hours first allow that
    they are told of one; None where no case is open or nobody can be told.
    """

    escalations: tuple[Errand, ...]
    openings: tuple[Errand, ...]
    closings: tuple[Errand, ...]
    changes: tuple[Change, ...]
    findings: tuple[str, ...]
    next_at: datetime | None = None
    held: tuple[Held, ...] = ()
    resting: Resting | None = None  # is to hear what has been told

    def going(self) -> dict[int, list[Reader]]:
        """By case, everybody who is told of it in this sweep."""
        found: dict[int, list[Reader]] = {}
        for errand in (*self.escalations, *self.openings):
            for case_id in errand.marks:
                found.setdefault(case_id, []).append(errand.reader)
        return found
