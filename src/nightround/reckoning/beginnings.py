"""From when on a rule binds a unit where it stands: by that rule nothing is overdue before that day (reckoning.md §9).

Physical work is good to the later of evidence and interval, and that day: who brings a unit to a place finds it looked
at then or looks at it. A report, a registration or a renewal of which there is no evidence since the unit came has its
whole interval from that day on.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import date
from typing import NamedTuple

from .facts import Place, Stay
from .rules import Rule


class Start(NamedTuple):
    """`arrived`: the day on which the unit came into the rule's reach (None: it was there all the time, or that is not
    on record); `first`: the first day on which the rule bound it, None where nothing says when that was; `why`: what
    happened on that day."""

    arrived: date | None = None
    first: date | None = None
    why: str = ""

    def floor(self, day: date) -> date:
        """The day, but never one before the first on which the rule bound the unit."""
        return day if self.first is None or day >= self.first else self.first

    def said(self, evidence: str, day: date) -> str:
        """The evidence of that day, and since when the rule asks where that is later."""
        if self.first is None or day >= self.first:
            return evidence
        return f"{evidence}; {self.why} {self.first}"

    def is_here(self, day: date) -> bool:
        """Whether evidence of that day is of this place: a report made elsewhere is none to the authority here."""
        return self.arrived is None or day >= self.arrived


Starts = Callable[[Rule], Start]
ALWAYS = Start()


def always(_rule: Rule) -> Start:
    """For what no rule began to bind on any day that is known."""
    return ALWAYS


def start_of(
    rule: Rule, stays: Sequence[Stay], in_service_on: date | None, bound: Callable[[Place], Collection[str] | None]
) -> Start:
    """The start of a rule that binds where the unit stands now.

    `bound` gives the names of the rules that bind at a place, less those that others replace there; None: of a rule
    that is of no pack, which goes where the unit goes.
    """
    arrived: date | None = None
    for place, stay in enumerate(reversed(stays)):
        there = bound(stay.place) if place else None  # it binds where the unit stands now, whatever was known then
        if there is not None and rule.id not in there:
            break
        arrived = stay.since
    else:
        arrived = None  # it stood in the rule's reach for all that is on record
    first, why = rule.effective_from, "the rule began"
    for day, happened in ((in_service_on, "put in service"), (arrived, "moved here")):
        if day is not None and (first is None or day > first):
            first, why = day, happened
    return Start(arrived, first, why)
