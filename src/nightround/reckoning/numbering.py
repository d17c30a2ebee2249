"""Compares serial, lot and version numbers as people write them: whether one lies in a range, or cannot be told.

Three answers: True, False, and None where the two are written so differently that either could be so. Never a guess.
Numbers are compared as numbers, never as text: 10.0 is later than 2.004. `packaging.version` is not used: it takes the
3.1b of a device for a trial release before 3.1, and refuses what is not written as Python's versions are.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, NamedTuple

_RUNS = re.compile(r"[^\W\d_]+|\d+")
# What stands before a version and says no more than that it is one.
_VERSION_WORDS = {"v", "ver", "version", "rev", "revision", "r", "rel", "release", "sw", "fw", "software", "firmware"}


class Range(NamedTuple):
    """From `first` to `last`, both inside; "" is open on that side."""

    first: str
    last: str

    def __str__(self) -> str:
        if self.first == self.last:
            return self.first
        if not self.first:
            return f"{self.last} or earlier"
        return f"{self.first} to {self.last}" if self.last else f"{self.first} or later"


class Number(NamedTuple):
    """A number taken apart: its runs of letters (small) and of digits, blanks and separators left out."""

    runs: tuple[str, ...]
    shape: tuple[str, ...]  # the letters where they stand, "#" for each run of digits
    values: tuple[int, ...]  # of the runs of digits
    letters: str
    digits: str


@lru_cache(maxsize=4096)
def taken_apart(text: str) -> Number:
    """The runs of a serial, lot or version number."""
    runs = tuple(_RUNS.findall(unicodedata.normalize("NFKC", text).casefold()))
    digits = tuple(run for run in runs if run[0].isdecimal())
    letters = "".join(run for run in runs if not run[0].isdecimal())
    shape = tuple("#" if run[0].isdecimal() else run for run in runs)
    return Number(runs, shape, tuple(int(run) for run in digits), letters, "".join(digits))


class Numbers:
    """The serial or lot numbers that a notice names, made ready for asking often."""

    def __init__(self, named: Iterable[Range]) -> None:
        listed = tuple(named)
        self._ranges = tuple(one for one in listed if one.first != one.last)
        self._exact: set[str] = set()
        self._by_digits: dict[str, dict[str, str]] = {}  # digits → letters → as written
        for one in listed:
            if one.first == one.last:
                number = taken_apart(one.first)
                self._exact.add(_plain(number))
                self._by_digits.setdefault(number.digits.lstrip("0"), {})[number.letters] = one.first
        self._some = str(listed[0]) if listed else ""

    def hold(self, text: str) -> tuple[bool | None, str]:
        """Whether the number is among them, with the range that holds it or what leaves it open; "" where none does.

        A number without digits that is not named as it stands ("n/a", "illegible") cannot be told.
        """
        number = taken_apart(text)
        if _plain(number) in self._exact:
            return True, ""
        if not number.digits:
            return None, self._some
        open_by = self._nearly(number)
        for one in self._ranges:
            inside = serial_within(text, one)
            if inside:
                return True, str(one)
            if inside is None:
                open_by = open_by or str(one)
        return None if open_by else False, open_by

    def _nearly(self, number: Number) -> str:
        """One that is named with the same digits, and with the same letters elsewhere or with letters on one side."""
        for letters, named in self._by_digits.get(number.digits.lstrip("0"), {}).items():
            if letters == number.letters or not letters or not number.letters:
                return named
        return ""


def serial_within(text: str, named: Range) -> bool | None:
    """Whether a serial or lot number lies in the range, both ends inside.

    The ends of a range have the same letters in the same places (`alike`). A number with the same letters in the same
    places is decided by its digits, as numbers. Other letters: outside. Letters on one side only, or digits parted
    otherwise: cannot be told, unless the digits lie outside however they are read.
    """
    number = taken_apart(text)
    first, last = taken_apart(named.first or named.last), taken_apart(named.last or named.first)
    if not number.digits:
        return None  # "n/a", "illegible"
    if number.shape == first.shape:
        return (not named.first or number.values >= first.values) and (not named.last or number.values <= last.values)
    if number.letters and first.letters and number.letters != first.letters:
        return False
    if len(first.values) > 1:
        return None
    readings = {int(number.digits), *number.values}
    low, high = first.values[0] if named.first else 0, last.values[0] if named.last else max(readings)
    return None if any(low <= reading <= high for reading in readings) else False


def alike(first: str, last: str) -> bool:
    """Whether two numbers can be the ends of a range: the same letters in the same places, and digits."""
    one, other = taken_apart(first), taken_apart(last)
    return bool(one.values) and one.shape == other.shape


def version_within(text: str, named: Range) -> bool | None:
    """Whether a version lies in the range, both ends inside; None where it cannot be told."""
    answers: list[bool | None] = []
    if named.first:
        order = version_order(named.first, text)
        answers.append(None if order is None else order <= 0)
    if named.last:
        order = version_order(text, named.last)
        answers.append(None if order is None else order <= 0)
    if False in answers:
        return False
    return None if None in answers else True


def version_order(one: str, other: str) -> int | None:
    """-1 where the first version is earlier, 0 where they are the same, 1 where it is later; None: cannot be told.

    Each run of digits is a number, so 2.10 is later than 2.9; a single letter orders by the alphabet and is later than
    none (3.1 < 3.1b < 3.2); 3.1 and 3.1.0 are the same. Not told: a word (2.0 beta) against anything else, a letter
    against a number, and digits with zeros before them whose order would be another if read as decimals
    (2.004 and 2.01).
    """
    left, right = _version(one), _version(other)
    if not left or not right:
        return None
    for place in range(max(len(left), len(right))):
        a = left[place] if place < len(left) else ""
        b = right[place] if place < len(right) else ""
        if a == b:
            continue
        order = _run_order(a, b, first=place == 0)
        if order != 0:
            return order
    return 0


def _version(text: str) -> tuple[str, ...]:
    runs = taken_apart(text).runs
    start = 0
    while start < len(runs) - 1 and runs[start] in _VERSION_WORDS:
        start += 1
    return runs[start:]


def _run_order(a: str, b: str, *, first: bool) -> int | None:
    """The order of two runs that differ; "" is the end of a version."""
    if a.isdecimal() and b.isdecimal():
        return _number_order(a, b, first=first)
    if not first and (not a or not b):
        there = a or b
        if there.isdecimal() and int(there) == 0:
            return 0
        if there.isdecimal() or len(there) == 1:
            return -1 if not a else 1
        return None
    return _sign(a, b) if len(a) == len(b) == 1 and a.isalpha() and b.isalpha() else None


def _number_order(a: str, b: str, *, first: bool) -> int | None:
    order = _sign(int(a), int(b))
    padded = any(len(run) > 1 and run[0] == "0" for run in (a, b))
    if first or len(a) == len(b) or not padded:
        return order
    width = max(len(a), len(b))
    return order if order == _sign(a.ljust(width, "0"), b.ljust(width, "0")) else None


def _sign(a: Any, b: Any) -> int:
    return int(a > b) - int(a < b)


def _plain(number: Number) -> str:
    """A number without separators; where it has digits only, without zeros before them."""
    joined = "".join(number.runs)
    if number.letters or not number.digits:
        return joined
    return joined.lstrip("0") or "0"
