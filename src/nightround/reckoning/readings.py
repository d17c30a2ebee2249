"""Readings: what a person notes at a check, the words for them, and which are good.

Common practice, no source: a self-test light, a battery window with bars, a pads window, and a look at the rest.
"""

from __future__ import annotations

import re
from difflib import get_close_matches

SCOPES = ("look", "test", "inspection")

# What a report about a safety notice says of a unit: begun; all that the notice asks for in time is in place; looked
# into and found not to be one of those meant, which counts only where the record cannot tell.
STAGES = ("underway", "complete", "not-concerned")
CORRECTED = "corrected"
# What a report is about that the unit sent by itself: the result of its self-test.
SENT = "self-test"

# Reading → its words; the good one first.
WORDS: dict[str, tuple[str, ...]] = {
    "self-test": ("ok", "fault"),
    "battery": ("ok", "low", "empty"),  # or bars: "3/4"
    "pads": ("ok", "expiring", "past", "opened", "missing"),
    "damage": ("none", "yes"),
    "cabinet": ("ok", "fault"),
    "kit": ("ok", "incomplete"),
    "seal": ("ok", "broken"),
    "scope": SCOPES,
    "mode": ("adult", "child"),  # of a use
    "pads-opened": ("yes", "no"),  # of a use: without it they count as opened
    # Of a report.
    "about": ("check", "use", "crew", "replaced", "registration", "registration-change", "responders", SENT),
    "stage": STAGES,  # of a report about a notice
}

# Readings of a use that are whole numbers, with the most that is believed.
NUMBERS = {"cpr-minutes": 999, "shocks": 999}

# Readings that say what an entry is about, not how a thing was found.
_NO_STATE = ("scope", "mode", "pads-opened", "about", "stage")

# Readings that are mended by hand and have no part whose date could say it.
MENDED_BY_HAND = ("damage", "cabinet", "kit", "seal")

_COUNT = re.compile(r"[0-9]{1,4}")
_BARS = re.compile(r"(\d{1,2})/(\d{1,2})")


def battery_word(value: str) -> str:
    """The battery reading as a word: ok, low (the lowest that is not empty) or empty; "" where it says neither.

    Bars are `n/m`. A window of one bar only tells full from empty.
    """
    if value in WORDS["battery"]:
        return value
    bars = _BARS.fullmatch(value)
    if bars is None:
        return ""
    have, full = int(bars[1]), int(bars[2])
    if have > full or full == 0:
        return ""
    if have == 0:
        return "empty"
    return "low" if have == 1 and full > 1 else "ok"


def meant(name: str) -> str:
    """The reading that somebody meant who wrote `pad` or `battry`; "" where the name is known, or like none of ours.

    Kept as it is, it would count for nothing: pads that are missing would look as if nobody had looked at them.
    """
    if name in WORDS or name in NUMBERS:
        return ""
    close = get_close_matches(name, (*WORDS, *NUMBERS), 1, 0.75)
    return close[0] if close else ""


def number(value: str) -> int | None:
    """A count as a number; None where it is not a whole number of at most four plain digits."""
    return int(value) if _COUNT.fullmatch(value) else None


def understood(reading: str) -> str:
    """What may be written for a reading, as the end of a sentence."""
    if reading in NUMBERS:
        return f"a whole number from 0 to {NUMBERS[reading]}"
    return f"one of: {', '.join(WORDS[reading])}" + (", or bars such as 3/4" if reading == "battery" else "")


def is_word(reading: str, value: str) -> bool:
    """Whether the value is one that this reading can have. Readings we do not know may have any."""
    if reading == "battery":
        return battery_word(value) != ""
    if reading in NUMBERS:
        return number(value) is not None and int(value) <= NUMBERS[reading]
    return reading not in WORDS or value in WORDS[reading]


def is_good(reading: str, value: str) -> bool:
    """Whether the reading says that all is well with it. A value we do not know is not good."""
    if reading == "battery":
        return battery_word(value) == "ok"
    if reading in _NO_STATE or reading not in WORDS:
        return True
    return value == WORDS[reading][0]


def pads_were_opened(readings: dict[str, str]) -> bool:
    """Whether a use opened the pads: yes, unless somebody says that it did not and nothing else says that it did."""
    shocks = number(readings.get("shocks", "")) or 0
    return readings.get("pads-opened") != "no" or shocks > 0 or readings.get("pads") == "opened"


def all_good(readings: dict[str, str]) -> bool:
    """Whether the self-test was looked at and every reading noted is good."""
    return readings.get("self-test") == "ok" and all(is_good(name, value) for name, value in readings.items())
