"""What reckoning gives: duties with their standing and reasons, and the condition of a unit. Values only."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from .rules import Force, Rule

# Kinds of duties that a withdrawn unit owes still: another in its place, and the register's word of the change.
OWED_WHEN_WITHDRAWN = ("replace", "register", "re-register")


class Standing(StrEnum):
    """Where a duty stands on a day."""

    AHEAD = "ahead"
    ORDER_NOW = "order now"
    OPEN = "open"
    OVERDUE = "overdue"
    NOT_RECORDED = "not recorded"


class Condition(StrEnum):
    """What a unit is on a day (reckoning.md §4)."""

    IN_SERVICE = "in service"
    WORK_DUE = "work due"
    NOT_TO_BE_RELIED_ON = "not to be relied on"
    WITHDRAWN = "withdrawn"
    NO_EVIDENCE = "no evidence"


class Reason(str):
    """A sentence for which a unit is not to be relied on, with what it is about; equal to the sentence alone.

    `kind` is `FAULT`, `USED`, `UNRELIABLE`, or `NOTICE` with the notice's reference in `about`.
    """

    __slots__ = ("about", "kind")
    kind: str
    about: str

    FAULT = "fault"
    USED = "used"
    NOTICE = "notice"
    UNRELIABLE = "not-to-be-relied-on"

    def __new__(cls, sentence: str, kind: str = UNRELIABLE, about: str = "") -> Reason:
        made = super().__new__(cls, sentence)
        made.kind = kind
        made.about = about
        return made


class Because(NamedTuple):
    """One rule that asks for the duty, and the last good day that it alone would give (None: it gives none)."""

    rule: str
    title: str
    force: Force
    source: str
    verified_on: date | None
    last_good_day: date | None
    evidence: str

    @classmethod
    def of(cls, rule: Rule, good: date | None, evidence: str) -> Because:
        """The reason that a rule of a pack gives."""
        return cls(rule.id, rule.title, rule.force, rule.source, rule.verified_on, good, evidence)


class Duty(NamedTuple):
    """Something owed. `because` lists every rule that asks for it, the one that decides first.

    `last_good_day` is the final civil day at the site on which it is met; `deadline` an instant in UTC where a rule
    counts hours. `key` is the same for the same duty for ever. `period` is what a calendar event stays the same
    for: the evidence that the last good day is reckoned from, not the day itself. What is stored ends with `because`.
    """

    key: str
    kind: str
    subject: str
    standing: Standing
    opens: date | None
    order_by: date | None
    last_good_day: date | None
    deadline: datetime | None
    role: str
    period: str
    because: tuple[Because, ...]
    interval: timedelta | None = None  # of what comes round: how long after the evidence the rule that decides asks


class Reckoned(NamedTuple):
    """What one unit owes on the day, and its condition with the reasons, which do not change from day to day."""

    duties: tuple[Duty, ...]
    condition: Condition
    reasons: tuple[str, ...]


def standing_of(day: date, opens: date, good: date) -> Standing:
    """The standing of a duty that needs no part: overdue from the day after the last good day."""
    if day > good:
        return Standing.OVERDUE
    return Standing.OPEN if day >= opens else Standing.AHEAD


def by_date(found: list[Because], silent: list[Because]) -> tuple[Because, ...]:
    """The earliest last good day first (ties by rule name), then the rules that give no date."""
    return (*sorted(found, key=lambda because: (because.last_good_day or date.max, because.rule)), *silent)
