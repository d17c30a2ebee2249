"""The words that pages show for kinds of duties, parts, entries and readings. What is not listed is shown as it is."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

# Duty and part kinds, in the order in which they are offered.
KINDS: dict[str, str] = {
    "look": "look",
    "test": "test",
    "inspection": "inspection",
    "report-check": "report of a check",
    "self-test-report": "self-test result sent by the unit",
    "put-right": "put right",
    "restore": "restore after use",
    "report-use": "report of a use",
    "download": "download of a use",
    "crew-note": "crew note",
    "replace": "replace or repair",
    "register": "registration",
    "re-register": "change to the registration",
    "renew-registration": "renewal of the registration",
    "notify-responders": "word to local responders",
    "pads-adult": "adult pads",
    "pads-child": "child pads",
    "pads-universal": "universal pads",
    "battery": "battery",
    "notice": "safety notice",
    "certificate": "certificate of a person",
    "refresher": "recommended refresher",
    "responders": "responders in date",
    "no-contact": "without contact",
}

ENTRIES: dict[str, str] = {
    "check": "checked",
    "ordered": "part ordered",
    "fitted": "part fitted",
    "removed": "part removed",
    "used": "used",
    "fault": "problem reported",
    "withdrawn": "withdrawn",
    "returned": "returned to service",
    "moved": "moved",
    "reported": "reported",
    "downloaded": "event record downloaded",
    "corrected": "corrected after a notice",
    "struck": "correction",
    "discarded": "old entries discarded",
}

ROLES: dict[str, str] = {
    "coordinator": "coordinator",
    "site-contact": "site contact",
    "on-call": "on call",
    "manager": "manager",
    "responder": "responder",
}

# What a word means, where it is first met.
HINTS: dict[str, str] = {
    "not to be relied on": "Something is known to be wrong. Get a replacement there.",
    "no evidence": "Nobody has recorded a check, or a date is missing. That does not mean that all is well.",
    "work due": "Usable as far as is recorded; something has to be done.",
    "withdrawn": "Taken out of service by the coordinator.",
    "in service": "Checked in time, with every date recorded and good.",
    "not recorded": "No date can be reckoned, because something is missing on record.",
}


def spoken(word: str) -> str:
    """The words for a kind, an entry or a role."""
    for known in (KINDS, ENTRIES, ROLES):
        if word in known:
            return known[word]
    if word.startswith("kit-"):
        return f"kit: {word.removeprefix('kit-')}"
    return word


_PADS = re.compile(r"\bpads-(adult|child|universal)\b")
_DAY = re.compile(r"(?<![\w-])\d{4}-\d{2}-\d{2}(?![\w-])")


def sentence(stored: str, say_day: Callable[[date], str]) -> str:
    """A reason or subject as reckoning words it, with its part kinds and days said as the rest of the page does."""

    def day(found: re.Match[str]) -> str:
        try:
            return say_day(date.fromisoformat(found[0]))
        except ValueError:
            return found[0]

    return _DAY.sub(day, _PADS.sub(r"\1 pads", stored))
