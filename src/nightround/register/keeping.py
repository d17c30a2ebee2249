"""How long log entries are kept: which rule of the place holds an entry back. Pure: decides, never acts.

A rule of the subject `records` holds entries of the units that stand where it binds. Rules about training records
(`after_role_months`) hold no log entry: nothing here ever discards what is known of people.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import NamedTuple

from ..reckoning.dates import add_months
from ..reckoning.readings import SCOPES
from ..reckoning.rules import Rule, Span, Subject


class Kept(NamedTuple):
    """What keeping looks at in an entry. `day` is the day of `at` at the site; `known`: made by a known person."""

    id: int
    day: date
    entry: str
    scope: str  # of a check: look, test, inspection
    known: bool


def records_rules(rules: Sequence[Rule]) -> tuple[Rule, ...]:
    """Those of the rules that can hold a log entry back."""
    return tuple(rule for rule in rules if rule.subject is Subject.RECORDS and rule.shape.span in _HOLDS)


def held_by(rules: Sequence[Rule], entry: Kept, has_next: bool, today: date) -> Rule | None:
    """The first rule by which the entry has to be kept today; None where none asks for it any longer.

    `has_next`: see `checked_again`. A record kept for some months may go on the day after the last of them: kept two
    years from 2026-08-31, it is there on 2028-08-31 and may go the day after.
    """
    for rule in rules:
        span = rule.shape.span
        if span is Span.KEPT_FOR_LIFE:
            return rule  # the unit is on record; no entry says that its life is over
        if span is Span.KEPT_MONTHS and today <= add_months(entry.day, rule.shape.n):
            return rule
        if span is Span.KEPT_UNTIL_NEXT_CHECK and entry.entry == "check" and not has_next:
            return rule
    return None


_HOLDS = (Span.KEPT_FOR_LIFE, Span.KEPT_MONTHS, Span.KEPT_UNTIL_NEXT_CHECK)


def checked_again(entries: Iterable[Kept]) -> set[int]:
    """The ids of the checks after which a known person checked again at least as widely.

    `entries` are those of one unit that are not struck, in the order of their time.
    """
    found: set[int] = set()
    widest = -1
    for entry in reversed(list(entries)):
        if entry.entry != "check":
            continue
        width = SCOPES.index(entry.scope) if entry.scope in SCOPES else 0
        if width <= widest:
            found.add(entry.id)
        if entry.known:
            widest = max(widest, width)
    return found
