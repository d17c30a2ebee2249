"""Which part on record a part in a file is: pure, for the parts of one kind in one unit or at one site.

A part has no code of its own. The same lot and label date are the same part; what is left over is the same part with
a corrected date or lot, in order. So a correction never leaves two fitted, and a file that was written before the log
went on never brings back what the log took off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from .found import LabelDate, Value


class Held(NamedTuple):
    """A part on record."""

    id: int
    kind: str
    state: str
    lot: str
    label_date: str
    last_good_day: date | None
    read_from: str
    fitted_on: date | None
    udi: str
    cost: str
    odd: bool
    by_log: bool = False  # fitted by an entry of the log


class Told(NamedTuple):
    """A part as a file tells of it. A field without a column is not in `values`."""

    state: str
    values: dict[str, Value]


@dataclass(slots=True)
class Pairing:
    """What became of each part told of, by its place in the list.

    `known`: it is this part on record. `overtaken`: it is this part too, but the register knows of something later,
    and nothing is to be changed. In neither: it is new. `displaced`: fitted on record until another one that the file
    tells of took its place. `left`: on record, fitted or spare, and not told of.
    """

    known: dict[int, Held] = field(default_factory=dict)
    overtaken: dict[int, Held] = field(default_factory=dict)
    displaced: list[Held] = field(default_factory=list)
    left: list[Held] = field(default_factory=list)


def one_at_a_time(kind: str) -> bool:
    """Whether a unit has one part of the kind fitted. Of kit it may hold several."""
    return not kind.startswith("kit-")


def pair(told: Sequence[Told], held: Sequence[Held]) -> Pairing:
    """Pairs the parts of one kind and one owner, in this order: the same part in the same state; the same part that
    has gone from one state to another; then, among what is left in the same state, the first with the first."""
    pairing = Pairing()
    free = list(held)
    waiting = list(range(len(told)))

    def settle(into: dict[int, Held], state: str, fits: Callable[[Told, Held], bool]) -> None:
        for place in [place for place in waiting if told[place].state == state]:
            found = next((part for part in free if fits(told[place], part)), None)
            if found is not None:
                into[place] = found
                free.remove(found)
                waiting.remove(place)

    for state in ("fitted", "spare", "removed"):
        settle(pairing.known, state, lambda one, part: part.state == one.state and _same_code(one, part, exactly=True))
        settle(pairing.known, state, lambda one, part: part.state == one.state and _same_code(one, part))
        settle(pairing.known, state, lambda one, part: part.state == one.state and _same(one, part, fitted_too=True))
        settle(pairing.known, state, lambda one, part: part.state == one.state and _same(one, part))
    newer = any(part.state == "fitted" for part in free)
    settle(pairing.overtaken, "fitted", lambda one, part: _was_taken_off(one, part, newer))
    moved_in = len(pairing.known)
    settle(pairing.known, "fitted", lambda one, part: part.state == "spare" and _is_named(one) and _same(one, part))
    moved_in = len(pairing.known) - moved_in
    settle(pairing.known, "removed", lambda one, part: part.state == "fitted" and _same(one, part))
    settle(pairing.known, "removed", lambda one, part: part.state == "spare" and _same(one, part))
    settle(pairing.known, "fitted", lambda one, part: part.state == one.state and not _is_older(one, part))
    if moved_in:
        # Two that changed places: the one that was fitted is the spare now, or both would be fitted.
        settle(pairing.known, "spare", lambda one, part: _gave_way(part) and _is_named(one) and _same(one, part))
    settle(pairing.overtaken, "spare", lambda one, part: part.state != "spare" and _is_named(one) and _same(one, part))
    settle(pairing.known, "spare", lambda one, part: part.state == one.state)
    for part in free:
        if part.state == "fitted" and moved_in and one_at_a_time(part.kind):
            pairing.displaced.append(part)
        elif part.state != "removed":
            pairing.left.append(part)
    return pairing


def same_label(value: Value, held: Held) -> bool:
    """Whether a label date in a file is the one on record, however each is written."""
    if isinstance(value, LabelDate):
        return value.last_good_day == held.last_good_day
    return not held.label_date and held.last_good_day is None


def _same(told: Told, held: Held, *, fitted_too: bool = False) -> bool:
    """Whether lot and label date are the same, as far as the file has columns for them."""
    values = told.values
    if "lot" in values and (values["lot"] or "") != held.lot:
        return False
    if "label_date" in values and not same_label(values["label_date"], held):
        return False
    return not fitted_too or "fitted_on" not in values or values["fitted_on"] == held.fitted_on


def _is_older(told: Told, held: Held) -> bool:
    """Whether the file tells of another part, fitted before the one that the log says was fitted since."""
    on, lot = told.values.get("fitted_on"), told.values.get("lot")
    if not held.by_log or not isinstance(on, date) or held.fitted_on is None:
        return False
    return on < held.fitted_on and not (lot and lot == held.lot)


def _gave_way(held: Held) -> bool:
    """Whether the part must leave its place when another of the kind is fitted."""
    return held.state == "fitted" and one_at_a_time(held.kind)


def _same_code(told: Told, held: Held, *, exactly: bool = False) -> bool:
    """Whether both have the same code of a label; `exactly`: and everything else the same too."""
    udi = told.values.get("udi")
    return bool(udi) and udi == held.udi and (not exactly or _same(told, held, fitted_too=True))


def _is_named(told: Told) -> bool:
    """Whether the file says anything by which the part could be told from another."""
    return bool(told.values.get("lot") or told.values.get("label_date"))


def _was_taken_off(told: Told, held: Held, newer: bool) -> bool:
    """Whether a part that a file has as fitted is one that was fitted on that day and has been taken off since.

    One that nobody named is so only where a `newer` one is fitted now: an empty cell must not wipe that one's date.
    """
    if held.state != "removed" or not _same(told, held):
        return False
    if not _is_named(told) and (held.lot or held.label_date or not newer):
        return False
    return told.values.get("fitted_on") in (None, held.fitted_on)
