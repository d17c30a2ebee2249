"""Which loan unit stands in the place of which other, from the logs of the two. It judges no unit's condition."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import NamedTuple

from .facts import Entry


class Loan(NamedTuple):
    """A unit in the place of another, whose code is `covers`."""

    covers: str
    at: datetime
    since: date  # of `at`, at the site


def lent(entries: Iterable[Entry]) -> Loan | None:
    """The loan that a unit's log tells of: its last move said `covers`, by a known person. None where it did not.

    Struck entries must have been left out. A withdrawal does not end the loan: a unit withdrawn covers nothing anyway.
    """
    found: Loan | None = None
    for entry in sorted(entries, key=lambda entry: entry.at):
        if entry.entry == "moved" and entry.known:
            covers = entry.readings.get("covers", "")
            found = Loan(covers, entry.at, entry.day) if covers else None
    return found


def ended(loan: Loan, covered: Iterable[Entry]) -> date | None:
    """The day on which the covered unit was returned to service, which ends the loan; None while it was not."""
    days = [entry.day for entry in covered if entry.entry == "returned" and entry.known and entry.at >= loan.at]
    return min(days, default=None)
