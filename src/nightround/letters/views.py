"""What a ladder sees of the people of one site: whom each step calls, and who of them is owed a letter. Pure.

Made from the watch, which has looked everything up.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ..cases.climbing import Told
from ..cases.hours import Hours
from ..cases.ladders import Climb, Ladder
from ..rounds.causes import LONG
from ..settings import Settings
from .audience import Reader
from .watch import Called, Watch


class View:
    """The people of one ladder at one site, as they are now; what `ladders.View` asks for."""

    def __init__(self, watch: Watch, site_id: int | None, ladder: Ladder, hours: Callable[[Reader], Hours]) -> None:
        self._called = [watch.of(site_id, step.who) for step in ladder.steps]
        self._coordinators = watch.of(site_id, ("coordinator",))
        self.everybody = [*self._called, self._coordinators]
        self._hours_of = hours
        self._hours: dict[int, list[Hours]] = {}

    @property
    def anybody(self) -> bool:
        return any(called.people for called in self._called)

    @property
    def gap(self) -> str:
        """What is missing, where nobody can be called."""
        return "; ".join(dict.fromkeys(gap for called in self._called for gap in called.gaps))

    def reached(self, rung: int) -> bool:
        return bool(self._called[rung].people)

    def gets_through(self, climb: Climb) -> bool:
        return self._called[climb.rung].gets_through()

    def hours(self, rung: int) -> list[Hours]:
        known = self._hours.get(rung)
        if known is None:
            readers = [reader for reader, _ in self._called[rung].people]
            known = self._hours[rung] = list(dict.fromkeys(map(self._hours_of, readers)))
        return known

    def people(self, rung: int) -> list[Reader]:
        """Whom that step reaches."""
        return [reader for reader, _ in self._called[rung].people]

    def gaps(self, rung: int) -> list[str]:
        """Who should have been told up to that step and cannot be."""
        return [gap for called in self._called[: rung + 1] for gap in called.gaps]

    def owed(self, climb: Climb, told: set[Told]) -> list[tuple[Reader, str]]:
        """Who has yet to be told at the present step, and who belongs to an earlier one and heard nothing."""
        now = {said.mailbox for said in told if (said.rung, said.turn) == (climb.rung, climb.turn)}
        ever = {said.mailbox for said in told}
        found: dict[str, tuple[Reader, str]] = {}
        here = self._called[climb.rung]
        for reader, name in here.people:
            # Where a letter was given up already, the next step is the way, not the same mailbox at once again.
            tried = reader.mailbox in here.failing and reader.mailbox in ever and climb.turn == 0
            if reader.mailbox not in now and not tried:
                found[reader.mailbox] = reader, name
        earlier = [*self._called[: climb.rung], *([self._coordinators] if climb.why in ("again", LONG) else [])]
        for called in earlier:
            for reader, name in called.people:
                if reader.mailbox not in ever:
                    found.setdefault(reader.mailbox, (reader, name))
        return list(found.values())


class Views:
    """The views of a sweep, one for each ladder at sites with the same people.

    `before` keeps whom they call from sweep to sweep: the same list where it is still the same people.
    """

    def __init__(self, watch: Watch, settings: Settings, before: dict[Any, list[Called]] | None = None) -> None:
        self._watch, self._settings, self._before = watch, settings, before
        self._made: dict[tuple[tuple[int, ...], int], View] = {}
        self._hours: dict[int | str, Hours] = {}

    def of(self, site_id: int | None, ladder: Ladder) -> View:
        key = self._watch.serving(site_id), id(ladder)  # to compare two ladders step by step takes long
        known = self._made.get(key)
        if known is None:
            known = self._made[key] = View(self._watch, site_id, ladder, self.hours)
            if self._before is not None:
                known.everybody = self._same((key[0], ladder), known.everybody)
        return known

    def _same(self, key: tuple[tuple[int, ...], Ladder], called: list[Called]) -> list[Called]:
        assert self._before is not None
        before = self._before.get(key)
        if before != called:
            self._before[key] = before = called
        return before

    def hours(self, reader: Reader) -> Hours:
        """As `Reader.hours`, once for each."""
        key = reader.id or reader.address
        known = self._hours.get(key)
        if known is None:
            known = self._hours[key] = reader.hours(self._settings)
        return known
