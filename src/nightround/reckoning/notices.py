"""What a safety notice says, and what it can mean for a unit. Values only; who is meant is found in `concerned`."""

from __future__ import annotations

import re
import unicodedata
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from .numbering import Range
from .rules import Force

# Where authorities class notices by number, the first class is the gravest (21 CFR 7.3(m) for the United States; from
# memory): one word at most, then the number.
_GRAVEST = re.compile(r"(?:[^\W\d]+\W+)?(?:I|1)(?:\W.*)?", re.IGNORECASE | re.DOTALL)


class Action(StrEnum):
    """What a notice asks for."""

    KEEP = "keep in service"
    STOP = "stop using"
    UPDATE = "update"
    INSPECT = "inspect"


class Finding(StrEnum):
    """What a notice means for a unit: the first three by the facts alone, the others by what the log says of it."""

    MATCHES = "matches"
    CANNOT_TELL = "cannot tell"
    CLEAR = "clear"
    CORRECTED = "corrected"
    NOT_CONCERNED = "not concerned"


class Days(NamedTuple):
    """From `first` to `last`, both inside; None is open on that side."""

    first: date | None
    last: date | None

    def __str__(self) -> str:
        if self.first is None:
            return f"{self.last} or earlier"
        return f"{self.first} to {self.last}" if self.last is not None else f"{self.first} or later"


class Concern(NamedTuple):
    """One of the groups that a notice names; a unit is meant where it belongs to any of them.

    Of each kind of mark any one of those listed will do. With `all_of` every kind of mark that is listed must hold,
    else any one of them. `models` empty: every model, which is for lots only. `parts` are the part kinds that the lots
    are of. `every_unit`: the model alone decides.
    """

    models: tuple[str, ...]
    serials: tuple[Range, ...] = ()
    made: tuple[Days, ...] = ()
    firmware: tuple[Range, ...] = ()
    parts: tuple[str, ...] = ()
    lots: tuple[Range, ...] = ()
    all_of: bool = False
    every_unit: bool = False


class Notice(NamedTuple):
    """A safety notice in one version. `underway_by` and `complete_by` are last good days, None where it sets none.

    From `closed_on` on it asks for nothing. Corrections before `corrections_from` do not count (a remedy that failed).
    """

    reference: str
    version: int
    grade: str  # its class as the authority words it, "" where it has none
    title: str
    source: str
    force: Force  # manufacturer, or guidance where an authority issued it
    published_on: date
    received_on: date | None
    action: Action
    what_to_do: str
    underway_by: date | None
    complete_by: date | None
    closed_on: date | None
    corrections_from: date | None
    concerns: tuple[Concern, ...]

    @property
    def class_said(self) -> str:
        """Its class in words: a bare numeral or letter gets the word before it. "" where it has none."""
        return f"class {self.grade}" if 0 < len(self.grade) <= 3 else self.grade

    @property
    def gravest(self) -> bool:
        """Whether its class is the first of those that count from one: "I", "Class 1", "Klasse I"."""
        return _is_first(self.grade)

    def in_force(self, day: date) -> bool:
        """Whether it still asks for anything on that day."""
        return self.closed_on is None or day < self.closed_on


def _is_first(grade: str) -> bool:
    plain = unicodedata.normalize("NFKC", grade).strip()
    # Where the word stands right before the number, as in Japanese, it is taken off.
    return _GRAVEST.fullmatch(re.sub(r"^[^\W\dA-Za-z]+(?=[I1])", "", plain)) is not None


class Verdict(NamedTuple):
    """What a notice means for a unit, and what decided, or what is missing; `on` is the day of the record."""

    finding: Finding
    why: str
    on: date | None = None
