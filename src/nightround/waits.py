"""Spans of time as people write them in settings: "4 hours", "3 working days", "daily". Knows no calendar."""

from __future__ import annotations

import re
from typing import NamedTuple

_UNITS = {"minute": 1, "hour": 60, "day": 24 * 60, "week": 7 * 24 * 60}
_FORM = re.compile(r"(\d{1,4}) +(working +)?(minute|hour|day|week)s?", re.IGNORECASE)
_MOST_MINUTES = 366 * 24 * 60
CADENCES = {"daily": 1, "weekly": 7}


class Wait(NamedTuple):
    """A span. Elapsed: `minutes` by the clock, a day being 24 hours. Working: `minutes` within working hours, or
    `days` whole working days. A cadence: `every` civil days, at the hour at which letters are written."""

    minutes: int = 0
    working: bool = False
    days: int = 0
    every: int = 0

    def __str__(self) -> str:
        if self.every:
            return {days: word for word, days in CADENCES.items()}.get(self.every, f"every {self.every} days")
        if self.days:
            return f"{self.days} working day{'' if self.days == 1 else 's'}"
        kind = "working " if self.working else ""
        for unit, size in reversed(_UNITS.items()):
            if self.minutes and self.minutes % size == 0 and not (self.working and size > 60):
                n = self.minutes // size
                return f"{n} {kind}{unit}{'' if n == 1 else 's'}"
        return f"{self.minutes} {kind}minutes"


def read(text: str, *, cadence: bool = False) -> Wait:
    """The span that the text names; with `cadence` also "daily" and "weekly". Raises ValueError with the cure."""
    word = " ".join(text.split()).lower()
    if cadence and word in CADENCES:
        return Wait(every=CADENCES[word])
    found = _FORM.fullmatch(word)
    if found is None:
        more = ', or "daily" or "weekly"' if cadence else ""
        raise ValueError(f'{text!r} is no span of time; write it as "4 hours", "30 minutes" or "3 working days"{more}')
    n, working, unit = int(found[1]), found[2] is not None, found[3]
    if working and unit == "day":
        wait = Wait(working=True, days=n)
    elif working and unit == "week":
        raise ValueError(f'{text!r}: a working week differs from place to place; write it as "5 working days"')
    else:
        wait = Wait(n * _UNITS[unit], working)
    if wait.minutes > _MOST_MINUTES or wait.days > 260:
        raise ValueError(f"{text!r} is longer than a year; choose a shorter span")
    return wait
