"""Dates that cannot be right (reckoning.md §2): pure functions that say which field is odd, and why.

Common practice, no source: no pads are made to last longer than five years, no battery longer than ten. What is odd
is refused on entry or, where a person insists, kept and marked; this module only tells.
"""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from ..reckoning.dates import add_months, month_end

PADS_YEARS = 5
BATTERY_YEARS = 10


class Odd(NamedTuple):
    """A field, and why what stands in it cannot be right: the middle of a sentence that names the place."""

    field: str
    why: str


def of_unit(made_on: date | None, in_service_on: date | None, registered_on: date | None, today: date) -> list[Odd]:
    """What is odd about a unit's own days."""
    found = []
    if made_on is not None:
        if made_on > today:
            found.append(Odd("made_on", "lies in the future"))
        if in_service_on is not None and in_service_on < made_on:
            found.append(Odd("in_service_on", f"lies before the unit was made ({made_on})"))
        if registered_on is not None and registered_on < made_on:
            found.append(Odd("registered_on", f"lies before the unit was made ({made_on})"))
    return found


def of_part(
    kind: str, last_good_day: date | None, fitted_on: date | None, unit_made_on: date | None, today: date
) -> list[Odd]:
    """What is odd about a part's days. `unit_made_on` is that of the unit it is fitted in; None for a spare."""
    found = []
    if fitted_on is not None:
        if fitted_on > today:
            found.append(Odd("fitted_on", "lies in the future"))
        if unit_made_on is not None and fitted_on < unit_made_on:
            found.append(Odd("fitted_on", f"lies before the unit was made ({unit_made_on})"))
    if last_good_day is None:
        return found
    if unit_made_on is not None and last_good_day < unit_made_on:
        found.append(Odd("label_date", f"lies before the unit was made ({unit_made_on})"))
    years = _years(kind)
    if years:
        # A part was made before it was fitted and before today: it lasts longer than from either.
        since = today if fitted_on is None or fitted_on > today else fitted_on
        day = last_good_day
        if day == month_end(day):
            day = day.replace(day=1)  # a label that says the month only means any day of it
        if day > add_months(since, 12 * years):
            said = "today" if since == today else f"it was fitted ({since})"
            what = "batteries" if kind == "battery" else "pads"
            found.append(Odd("label_date", f"is more than {years} years after {said}, longer than {what} last"))
    return found


def of_entry(day: date, unit_made_on: date | None) -> list[Odd]:
    """What is odd about the day of a log entry, at the site."""
    if unit_made_on is not None and day < unit_made_on:
        return [Odd("at", f"lies before the unit was made ({unit_made_on})")]
    return []


def _years(kind: str) -> int:
    if kind == "battery":
        return BATTERY_YEARS
    return PADS_YEARS if kind.startswith("pads-") else 0
