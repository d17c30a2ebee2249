"""The words letters use for parts, duties, reasons and rules. Words only: it reckons nothing and looks nothing up.

A rule that is named in a letter gets a number there; its source and the day it was read stand once, at the end.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import date
from typing import Any, NamedTuple

from .templates import say_count, say_day

LEAVE_IT = (
    "Leave a unit where it is until a replacement hangs there, unless its manufacturer, a notice or the coordinator "
    "has withdrawn it. Nobody is told not to use it in an emergency."
)

# What to do about a duty of that kind, in the order in which it should be done. General on purpose: the manual knows.
_STEPS: dict[str, str] = {
    "notice": "Do what the safety notice asks, as its own text says, and record each stage. Where it says stop using, "
    "get a replacement there first.",
    "put-right": "Look at the unit. Follow its own prompts and its manual; if it still reports a fault, call the "
    "supplier and arrange a replacement.",
    "restore": "Restore the unit as its manual says: new pads, battery and kit looked at, cleaned, checked. Record "
    "each, and download the record of the use before it is written over.",
    "pads": "Replace the pads with in-date ones of the kind that the device's manual names; order some if none are "
    "at hand.",
    "battery": "Replace the battery as the device's manual says; order one if none is at hand.",
    "look": "Look at the unit and record what you see: self-test light, battery, pads, damage, cabinet, kit.",
    "test": "Test the unit as the device's manual says and record the result.",
    "inspection": "Have the unit inspected by a qualified technician and record it.",
    "report-check": "Report the check to the authority and record that you did.",
    "self-test-report": "See why the unit has sent no self-test result: its connection, its battery, its own display. "
    "Record each result that arrives.",
    "report-use": "Report the use to whom the rule names and record that you did.",
    "register": "Register the unit with whom the rule names, and record that you did.",
    "re-register": "Report the change to the register that the rule names, and record that you did.",
    "renew-registration": "Renew the registration with whom the rule names, and record that you did.",
    "notify-responders": "Tell the responders near by where the unit stands now, and record that you did.",
    "no-contact": "Name a site contact or coordinator who can be reached: without one, nobody there is told.",
    "responders": "Have people trained, or renew the certificates of those who are, before too few are in date.",
    "certificate": "Have the training renewed and record the new certificate.",
    "kit": "Replace what is missing or past its date in the kit.",
}
_ORDER = tuple(_STEPS)

_PADS = re.compile(r"\bpads-(adult|child|universal)\b")
_KIT = re.compile(r"\bkit-(?=[a-z])")
_DAY = re.compile(r"(?<![\w-])\d{4}-\d{2}-\d{2}(?![\w-])")

_CHECKS = {
    "look": "look at the unit",
    "test": "test the unit",
    "inspection": "inspection by a qualified technician",
    "report-check": "report the check to the authority",
    "self-test-report": "self-test result sent by the unit itself",
    "restore": "restore the unit after use",
    "report-use": "report the use",
    "register": "register the unit",
    "re-register": "report the change to the register",
    "renew-registration": "renew the registration",
    "notify-responders": "tell local responders where the unit stands",
}
_OTHERS = {
    "put-right": "put right what was found wrong",
    "notice": "follow a safety notice",
    "certificate": "renew a certificate",
    "refresher": "a refresher, recommended",
    "responders": "enough responders in date",
    "no-contact": "name a contact",
}
_CONDITION_KINDS = (
    ("notice ", "notice"),
    ("fault", "put-right"),
    ("used", "restore"),
    ("no pads", "pads"),
    ("pads", "pads"),
    ("fitted pads", "pads"),
    ("battery", "battery"),
    ("fitted battery", "battery"),
)


def said(stored: str) -> str:
    """A reason or subject as it is stored, with its part kinds and its days as a reader says them."""

    def day(found: re.Match[str]) -> str:
        try:
            return say_day(date.fromisoformat(found[0]))
        except ValueError:
            return found[0]

    return _DAY.sub(day, _KIT.sub("kit: ", _PADS.sub(r"\1 pads", stored)))


def thing(kind: str) -> str:
    """The words for a kind of duty or part."""
    return _CHECKS.get(kind) or _OTHERS.get(kind) or said(kind)


def act(kind: str, key: str, subject: str) -> str:
    """What has to be done. `key` is the duty's, such as `battery/spare/17`, or `battery/fitted/none` for none."""
    if kind in _CHECKS:
        return _CHECKS[kind]
    if kind in _OTHERS or key.count("/") != 2:
        return said(subject)
    _, state, which = key.split("/")
    if which == "none":
        return f"fit {thing(kind)}"
    return f"replace {'spare ' if state == 'spare' else ''}{thing(kind)}"


def late(days: int) -> str:
    """How long a duty is overdue."""
    return f"{say_count(days, 'day')} overdue" if days > 0 else "overdue"


def capital(text: str) -> str:
    """The sentence with its first letter large."""
    return text[:1].upper() + text[1:]


def joined(*words: str, by: str = ", ") -> str:
    """The words that are not empty."""
    return by.join(word for word in words if word)


def names(listed: Iterable[str], most: int = 6) -> str:
    """`a, b and 3 more`."""
    everybody = list(listed)
    shown = everybody[:most]
    if len(everybody) > most:
        return f"{', '.join(shown)} and {len(everybody) - most} more"
    return " and ".join(joined(*part) for part in (shown[:-1], shown[-1:]) if part)


def condition_kind(reason: str) -> str:
    """The kind of work that a reason of a condition asks for; "" where it asks for none that we know."""
    return next((kind for start, kind in _CONDITION_KINDS if reason.startswith(start)), "")


def condition_source(reason: str) -> str:
    """Where a reason of a condition comes from."""
    if "label date" in reason:
        return "the label"
    if reason.startswith("notice "):
        return "the notice"
    return "the register" if "record" in reason else "the log"


def steps(kinds: Iterable[str]) -> tuple[str, ...]:
    """What to do about duties of these kinds, each sentence once."""
    wanted = {"pads" if kind.startswith("pads") else "kit" if kind.startswith("kit") else kind for kind in kinds}
    return tuple(_STEPS[kind] for kind in _ORDER if kind in wanted)


class Source(NamedTuple):
    """A rule named in a letter. `verified_on` is the day on which its source was read; None: nothing to read."""

    number: int
    title: str
    force: str
    source: str
    verified_on: date | None

    @property
    def line(self) -> str:
        read = f"; verified on {say_day(self.verified_on)}" if self.verified_on else ""
        source = "" if self.source == self.force else f"; source: {self.source or 'none given'}"
        return f"[{self.number}] {self.title} ({self.force}{source}{read})."


class Sources:
    """Numbers the rules of one letter in the order in which they are named."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[str, str, str, str | None], int] = {}

    def cite(self, because: list[dict[str, Any]]) -> str:
        """The rule that decides, with its force and number, and the numbers of the others that ask for the same."""
        if not because:
            return ""
        first, *others = dict.fromkeys(self._number(said_by) for said_by in because)
        also = f"; also {_marked(others)}" if others else ""
        return f"{_title(because[0])} ({because[0]['force']}) {_marked([first])}{also}"

    def mark(self, because: list[dict[str, Any]]) -> str:
        """Only the numbers, such as `[1,3]`, that of the rule that decides first."""
        return _marked(list(dict.fromkeys(self._number(said_by) for said_by in because)))

    def listed(self) -> tuple[Source, ...]:
        """The rules named so far."""
        return tuple(
            Source(number, title, force, source, date.fromisoformat(day) if day else None)
            for (title, force, source, day), number in self._numbers.items()
        )

    def _number(self, because: dict[str, Any]) -> int:
        key = (_title(because), because["force"], because["source"], because.get("verified_on"))
        return self._numbers.setdefault(key, len(self._numbers) + 1)


def _marked(numbers: list[int]) -> str:
    """Without blanks, so that no line breaks within."""
    return f"[{','.join(map(str, numbers))}]" if numbers else ""


def _title(because: dict[str, Any]) -> str:
    return said(str(because.get("title") or because["rule"]))


def because_of(stored: str) -> list[dict[str, Any]]:
    """The reasons of a duty as they are stored, the one that decides first."""
    found: list[dict[str, Any]] = json.loads(stored)
    return found
