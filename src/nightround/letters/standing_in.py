"""The one letter that stands for all those that the limit of the fleet holds back: to whom, and about what.

It goes to a coordinator of the whole fleet; where none of them can be told now, to the coordinator at whose sites the
most and gravest of it is that no coordinator knows of. Never beyond the place that is kept for it, nor beyond what a
mailbox may get; what a coordinator is told in the same sweep anyway stands in the same letter.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, select

from ..reckoning.dates import local_day
from ..store.tables import cases, tellings
from .audience import Reader
from .lists import chunks
from .planned import Errand, Mark
from .watch import Watch

_WHO = ("coordinator",)
STANDS_IN = "first"  # what such a letter counts as (`letters.brake`)
NOBODY = "no coordinator can be told in their place"

Marks = Mapping[int, Mark]


class StandIn(NamedTuple):
    """The letter; None where the coordinators know of everything, or, as `gap` says, where none can be told."""

    errand: Errand | None
    gap: str = ""


def stand_in(
    conn: Connection,
    watch: Watch | None,
    held: Sequence[Errand],
    going: Mapping[Reader, Errand],
    has_room: Callable[[Reader], bool],
    now: datetime,
) -> StandIn:
    """Who is told in the place of those whose letters are `held`, and of what. `going` are the escalations of this
    sweep, by reader; `has_room` says whether a mailbox may get a letter more."""
    marks = {case_id: mark for errand in held for case_id, mark in errand.marks.items() if mark[1] >= 0}
    if watch is None or not marks:
        return StandIn(None)
    desk = _Desk(conn, watch, held, going, marks, now)
    whole = [reader for reader, _ in watch.of(None, _WHO).people]
    working = [reader for reader in whole if reader.mailbox not in watch.failing]
    if any(desk.knows(reader, marks) for reader in working):
        return StandIn(None)
    for reader in working:
        if has_room(reader):
            return StandIn(desk.letter(reader, marks))
    theirs = desk.at_their_sites()
    for reader in theirs:
        if has_room(reader):
            return StandIn(desk.letter(reader, theirs[reader]))
    # Where mail to somebody was given up, the next letter may yet arrive; it is the last that can be tried.
    for reader in whole:
        if reader not in working and has_room(reader) and not desk.knows(reader, marks):
            return StandIn(desk.letter(reader, marks))
    return StandIn(None, "" if whole or desk.has_coordinators else NOBODY)


class _Desk:
    """What the coordinators know of the cases that are held, and what a letter to one of them would say."""

    def __init__(
        self,
        conn: Connection,
        watch: Watch,
        held: Sequence[Errand],
        going: Mapping[Reader, Errand],
        marks: Marks,
        now: datetime,
    ) -> None:
        self._watch, self._held, self._going, self._marks, self._now = watch, held, going, marks, now
        self._sites: dict[int, tuple[int | None, str]] = {}
        self._told: dict[str, dict[int, set[Mark]]] = {}
        for chunk in chunks(sorted(marks)):
            where = select(cases.c.id, cases.c.site_id, cases.c.severity).where(cases.c.id.in_(chunk))
            self._sites.update({case_id: (site_id, severity) for case_id, site_id, severity in conn.execute(where)})
            query = select(
                tellings.c.mailbox, tellings.c.case_id, tellings.c.lap, tellings.c.rung, tellings.c.turn
            ).where(tellings.c.case_id.in_(chunk))
            for mailbox, case_id, *mark in conn.execute(query):
                lap, rung, turn = mark
                self._told.setdefault(mailbox, {}).setdefault(case_id, set()).add((lap, rung, turn))
        self.has_coordinators = any(self._coordinators(case_id) for case_id in marks)

    def knows(self, reader: Reader, of: Marks) -> bool:
        """Whether they were told of each of these at just that step, or are in this sweep."""
        return not self._news(reader, of)

    def at_their_sites(self) -> dict[Reader, Marks]:
        """By coordinator of single sites, those of the cases that are at them. Only coordinators at whose sites
        something is that none knows of; whoever has the gravest and most of that comes first."""
        theirs: dict[Reader, dict[int, Mark]] = {}
        unknown: dict[Reader, list[bool]] = {}
        for case_id, mark in self._marks.items():
            readers = self._coordinators(case_id)
            is_known = any(self.knows(reader, {case_id: mark}) for reader in readers)
            for reader in readers:
                if not reader.whole_fleet and reader.mailbox not in self._watch.failing:
                    theirs.setdefault(reader, {})[case_id] = mark
                    unknown.setdefault(reader, []).extend([self._sites[case_id][1] == "urgent"] * (not is_known))
        first = sorted(
            (reader for reader in theirs if unknown[reader]),
            key=lambda reader: (-sum(unknown[reader]), -len(unknown[reader]), reader.person),
        )
        return {reader: theirs[reader] for reader in first}

    def letter(self, reader: Reader, of: Marks) -> Errand:
        """One letter to that coordinator: what is news to them of these cases, and what they are owed themselves."""
        whys, day = {"coordinator"}, local_day(self._now, reader.zone).isoformat()
        one = Errand(reader, day, self._news(reader, of), set(self._told.get(reader.mailbox, {})), whys)
        one.counts_as = STANDS_IN
        for mine in (*self._held, self._going.get(reader)):
            if mine is not None and mine.reader == reader:
                one.take_in(mine)
        if reader in self._going:
            one.counts_as = self._going[reader].counts_as
        others = [
            errand for errand in self._held if errand.reader != reader and not one.marks.keys().isdisjoint(errand.marks)
        ]
        one.stands_for = tuple(dict.fromkeys(errand.reader.called for errand in others))
        return one

    def _coordinators(self, case_id: int) -> list[Reader]:
        return [reader for reader, _ in self._watch.of(self._sites[case_id][0], _WHO).people]

    def _news(self, reader: Reader, of: Marks) -> dict[int, Mark]:
        told = self._told.get(reader.mailbox, {})
        gets = self._going[reader].marks if reader in self._going else {}
        return {
            case_id: mark for case_id, mark in of.items() if mark not in told.get(case_id, ()) and case_id not in gets
        }
