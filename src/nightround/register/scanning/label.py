"""What a scanned label says, and the dates in it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any

from ...reckoning.dates import month_end


@dataclass(slots=True)
class Label:
    """A decoded label. Days are last good days for `expires_on`; None where the label does not say.

    `warnings` are sentences a person can act on: a label with a wrong check character is still read.
    """

    kind: str  # gs1, hibc
    raw: str
    product: str = ""
    lot: str = ""
    serial: str = ""
    made_on: date | None = None
    expires_on: date | None = None
    warnings: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self)


def full_year(two_digits: int, today: date) -> int:
    """The year that two digits mean: at most 49 years back and 50 ahead of today.

    GS1 General Specifications §7.12, the sliding century; as cited and coded in the `biip` library (READ*).
    """
    century, now = divmod(today.year, 100)
    apart = two_digits - now
    if apart >= 51:
        century -= 1
    elif apart <= -50:
        century += 1
    return century * 100 + two_digits


def day_of(year: int, month: int, day: int) -> date:
    """The day, where day 0 is the last day of the month (GS1 `DD=00`). Raises ValueError for no such day."""
    return month_end(date(year, month, 1)) if day == 0 else date(year, month, day)


def day_of_year(year: int, number: int) -> date:
    """The n-th day of the year, 1 being 1 January. Raises ValueError outside the year."""
    found = date(year, 1, 1) + timedelta(days=number - 1)
    if number < 1 or found.year != year:
        raise ValueError(f"the year {year} has no day {number}")
    return found
