"""Which parts are in a unit: what the register's files declare, with the log replayed on it in the order of time.

Pure. Struck entries, and those by nobody who is known, must have been left out: the parts after a strike are those of
the log without that entry. A part that the log fitted is there by the log alone; one that a file tells of just as the
log leaves it is taken for the same. Days are those at the site, where the unit stood at the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from ..reckoning.facts import Fitting
from .fitting import columns_of, is_told_of
from .matching import one_at_a_time
from .plausible import of_part

FITTED, SPARE, REMOVED, VOID = "fitted", "spare", "removed", "void"


class Columns(NamedTuple):
    """What of a part the log can change. `VOID`: fitted by an entry struck since; its number is never given again."""

    state: str
    lot: str = ""
    label_date: str = ""
    last_good_day: date | None = None
    read_from: str = ""
    fitted_on: date | None = None
    udi: str = ""
    odd: bool = False


class Held(NamedTuple):
    """A part on record, as it stands and as the register's files declare it; None: no file tells of it.

    `fitted_by` is the id of the log entry that fitted it, `id` None for one that is not on record yet.
    """

    id: int | None
    kind: str
    now: Columns
    declared: Columns | None
    fitted_by: int | None = None


class Happened(NamedTuple):
    """An entry `fitted` or `removed`. `part`: what it says of the part."""

    id: int
    day: date
    entry: str
    part: dict[str, str]


class Replayed(NamedTuple):
    """`parts`: those on record in their order, then new ones. `fittings`: those that only the register tells of."""

    parts: tuple[Held, ...]
    fittings: tuple[Fitting, ...]


def replay(held: Sequence[Held], happened: Sequence[Happened], made_on: date | None) -> Replayed:
    """The parts as they stand. `happened` in the order of time; `made_on` is the day on which the unit was made."""
    run = _Run(held, happened, made_on, {})
    restated = dict(run.recognised)
    while restated:
        run = _Run(held, happened, made_on, restated)
        # What the log alone leaves otherwise is so by the file's word.
        other = [place for place in restated if run.parts[place].columns.state != _declared(held[place]).state]
        if not other:
            break
        for place in other:
            del restated[place]
    else:
        run = _Run(held, happened, made_on, {})
    fittings = tuple(
        Fitting(part.held.kind, part.declared.fitted_on)
        for part in run.parts
        if part.declared is not None and part.declared.state == FITTED
    )
    return Replayed(tuple(part.stands() for part in run.parts), fittings)


def _declared(part: Held) -> Columns:
    assert part.declared is not None
    return part.declared


@dataclass(slots=True)
class _Part:
    """A part while the log is replayed. `by`: the entry that fitted it."""

    held: Held
    declared: Columns | None
    columns: Columns
    by: int | None = None
    is_in: bool = False

    def stands(self) -> Held:
        """As it stands at the end."""
        return Held(self.held.id, self.held.kind, self.columns, self.declared, self.by)


class _Run:
    """One replay. `restated`: place of a part → the entry that tells of it too, so that no file's word is needed."""

    def __init__(
        self, held: Sequence[Held], happened: Sequence[Happened], made_on: date | None, restated: dict[int, int]
    ) -> None:
        self._made_on = made_on
        self.parts = [self._at_first(part, place in restated) for place, part in enumerate(held)]
        self._own = {part.fitted_by: self.parts[place] for place, part in enumerate(held) if part.fitted_by is not None}
        self._own |= {entry: self.parts[place] for place, entry in restated.items()}
        self.recognised: dict[int, int] = {}
        dated = [part for part in self.parts if part.declared is not None and part.declared.state == FITTED]
        self._waiting = sorted(
            (part for part in dated if part.declared and part.declared.fitted_on is not None), key=_fitted_on
        )
        for part in dated:
            part.is_in = part.declared is not None and part.declared.fitted_on is None
        for one in happened:
            self._until(one.day)
            self._take(one)
        self._until(date.max)
        for part in self.parts:
            self._close(part)

    def _at_first(self, held: Held, is_restated: bool) -> _Part:
        declared = None if is_restated else held.declared
        return _Part(held, declared, held.now if held.declared is None else held.declared)

    def _until(self, day: date) -> None:
        """Puts in what was fitted up to that day by the word of a file."""
        while self._waiting and _fitted_on(self._waiting[0])[0] <= day:
            part = self._waiting.pop(0)
            if one_at_a_time(part.held.kind):
                self._clear(part.held.kind)
            part.is_in = True

    def _clear(self, kind: str) -> None:
        for part in self.parts:
            if part.held.kind == kind:
                part.is_in = False

    def _take(self, one: Happened) -> None:
        kind = one.part.get("kind", "")
        self._clear(kind)
        if one.entry != FITTED:
            return
        part = self._part_of(one)
        part.by = one.id
        part.is_in = part.declared is None or part.declared.state != REMOVED

    def _part_of(self, one: Happened) -> _Part:
        """The part that an entry speaks of: one on record, a spare, or one that nobody told of before."""
        own = self._own.get(one.id)
        if own is not None and own.declared is not None and own.declared.state != SPARE:
            return own  # what a file has told of it since counts
        for place, part in enumerate(self.parts):
            if self._is_it(part, one):
                self.recognised[place] = one.id
                return part
        if own is not None and own.declared is None:
            own.columns = self._dated(own.columns, one)
            if own.columns.last_good_day is not None:
                return own
        spare = self._spare(one, own)
        if spare is not None:
            if spare.held.fitted_by == one.id:
                spare.columns = self._dated(spare.held.now, one)
            else:
                spare.columns = _columns(one, spare.declared, self._made_on)
            return spare
        if own is not None and own.declared is None:
            return own
        made = _columns(one, None, self._made_on)
        self.parts.append(_Part(Held(None, one.part.get("kind", ""), made, None), None, made))
        return self.parts[-1]

    def _dated(self, columns: Columns, one: Happened) -> Columns:
        """What is on record of the part that the entry fitted, with the day on which that was as the log tells it now:
        where the unit stood at the time may have come to be known since."""
        if columns.fitted_on == one.day:
            return columns
        was, now = (
            bool(of_part(one.part.get("kind", ""), columns.last_good_day, day, self._made_on, day))
            for day in (columns.fitted_on or one.day, one.day)
        )
        return columns._replace(fitted_on=one.day, odd=now if columns.odd == was else columns.odd)

    def _is_it(self, part: _Part, one: Happened) -> bool:
        """Whether a file tells of the very part that the entry fitted."""
        said = part.declared
        if said is None or said.state not in (FITTED, REMOVED) or part.by is not None:
            return False
        if part.held.kind != one.part.get("kind") or said.fitted_on != one.day:
            return False
        return part.held.fitted_by is None and is_told_of(one.part, one.day, said.lot, said.last_good_day)

    def _spare(self, one: Happened, own: _Part | None) -> _Part | None:
        """The first spare of that lot, or with that code, that no earlier entry used up; else the one it is known to
        have used. One of which a file has told since that it is a spare again is not it."""
        told = _columns(one, None, None)
        free = [part for part in self.parts if _is_free(part, one)]
        for part in free:
            said = part.columns
            if (said.lot == told.lot) if told.lot else (bool(told.udi) and said.udi == told.udi):
                return part
        return next((part for part in free if part is own), None)

    def _close(self, part: _Part) -> None:
        said = part.declared
        if said is not None and said.state == SPARE and part.by is None:
            if part.held.now.state == SPARE:
                part.by = part.held.fitted_by
            return
        if part.is_in:
            state = FITTED
        elif said is None and part.by is None:
            state = VOID
            part.by = part.held.fitted_by
        else:
            state = REMOVED
        part.columns = part.columns._replace(state=state)


def _columns(one: Happened, spare: Columns | None, made_on: date | None) -> Columns:
    return Columns(FITTED, **columns_of(one.part, one.day, spare, made_on))


def _is_free(part: _Part, one: Happened) -> bool:
    said = part.declared
    if said is None or said.state != SPARE or part.by is not None or part.held.kind != one.part.get("kind"):
        return False
    return part.held.fitted_by != one.id or part.held.now.state != SPARE


def _fitted_on(part: _Part) -> tuple[date, int]:
    on = None if part.declared is None else part.declared.fitted_on
    return on or date.min, part.held.id or 0
