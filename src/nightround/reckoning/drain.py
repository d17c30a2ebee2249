"""The drain budget of a battery: an estimate of the day on which its charge is used up (reckoning.md §3).

Charge left = 1 - standby days / standby life at the month's temperature - shocks / rated shocks - minutes on / rated
minutes, all linear. It can only bring a date forward: the life at any temperature is at most the model sheet's, so a
cool place gains nothing. Without figures in the model sheet there is no estimate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import NamedTuple

from .dates import ONE_DAY, add_months, first_bad_day, month_end
from .facts import Part, Use
from .owed import Because
from .rules import Force, ModelSheet

WARM_CELSIUS = 25.0  # the sheet's standby life holds up to here
# Rounding of many small shares must not cost a day.
_SPENT = 1e-9


class Spent(NamedTuple):
    """The share of a full charge that one use took, and its day."""

    day: date
    share: float


def weighted_life(spans: Iterable[tuple[float, float]]) -> float:
    """The life under changing conditions: the harmonic mean of the lives, weighted by the time spent under each.

    `spans` are (time, life under it); the answer is in the unit of the lives. Raises ValueError where there is no time.
    Source of the rule: STMicroelectronics AN1012 Rev 4 §3.2.
    """
    times = list(spans)
    worn = sum(time / life for time, life in times)
    if worn <= 0:
        raise ValueError("a mean of lives needs some time under at least one of them")
    return sum(time for time, _ in times) / worn


def wear(celsius: float, doubling_celsius: int = 10) -> float:
    """How many times faster than by the model sheet a battery drains in standby at that temperature; 1 at least."""
    return float(max(1.0, 2.0 ** ((celsius - WARM_CELSIUS) / doubling_celsius)))


def charge_left(standby: Iterable[tuple[float, float]], spent: float = 0.0) -> float:
    """The share of a full charge left after these (standby days, standby life in days) and uses; linear, 0 at least."""
    return max(0.0, 1.0 - sum(days / life for days, life in standby) - spent)


def share_of(use: Use, sheet: ModelSheet) -> float:
    """The share of a full charge that a use took by the sheet's ratings; what was not recorded takes nothing."""
    share = 0.0
    if sheet.rated_shocks and use.shocks is not None:
        share += use.shocks / sheet.rated_shocks
    if sheet.rated_minutes and use.minutes is not None:
        share += use.minutes / sheet.rated_minutes
    return share


def last_charged_day(fitted_on: date, good: date, wears: Sequence[float], spent: Sequence[Spent]) -> date:
    """The last day on which there is charge left, never after `good`, the day the standby life alone would give.

    `wears` are twelve monthly factors (January first), or empty for a place whose temperatures are not known.
    A use takes its share on its day; where that is the last of the charge, its day is the answer.
    """
    life = (good - fitted_on).days
    if life <= 0:
        return good
    taken = 0.0
    for use in sorted(spent):
        empty = _standby_ends(fitted_on, life, wears, taken)
        if empty < use.day:
            return min(good, empty)
        taken += use.share
        if _standby_ends(fitted_on, life, wears, taken) < use.day:
            return min(good, use.day)
    return min(good, _standby_ends(fitted_on, life, wears, taken))


def drain_limit(part: Part, uses: Sequence[Use], sheet: ModelSheet, celsius: tuple[float, ...]) -> Because | None:
    """The limit that the budget sets on a fitted battery, with what went into it.

    None where the sheet gives no figures, the day of fitting is not known, or the estimate is not earlier than the
    standby life alone. The reason says what share the uses took, never what was done to whom.
    """
    if sheet.standby_months is None or part.fitted_on is None or not (sheet.rated_shocks or sheet.rated_minutes):
        return None
    counted = tuple(use for use in uses if use.on_battery and use.day >= part.fitted_on)
    if not counted and not celsius:
        return None
    return _limit(part.fitted_on, counted, sheet, celsius)


@lru_cache(maxsize=20_000)
def _limit(fitted_on: date, uses: tuple[Use, ...], sheet: ModelSheet, celsius: tuple[float, ...]) -> Because | None:
    good = add_months(fitted_on, sheet.standby_months or 0)
    wears = tuple(wear(mean, sheet.doubling_celsius) for mean in celsius)
    spent = tuple(Spent(use.day, share_of(use, sheet)) for use in uses)
    day = last_charged_day(fitted_on, good, wears, spent)
    if day >= good:
        return None
    said = [f"estimate: fitted {fitted_on}", f"standby life {sheet.standby_months} months"]
    if celsius:
        at_site = _months_at_site(fitted_on, good, wears, sheet.standby_months or 0)
        said.append(f"{at_site:.1f} months at the site's monthly temperatures (mean of lives, weighted by time)")
    else:
        said.append("the site's temperatures are not recorded")
    if uses:
        share = round(100 * sum(each.share for each in spent))
        said.append(f"{len(uses)} {'use' if len(uses) == 1 else 'uses'} since took {share} % of the charge as recorded")
    silent = sum(1 for use in uses if not _is_whole(use, sheet))
    if silent:
        said.append(f"{silent} of them not fully recorded and counted only in part")
    title = f"Drain budget of {sheet.model}, an estimate"
    return Because("drain-budget", title, Force.MANUFACTURER, sheet.source, sheet.verified_on, day, "; ".join(said))


def _is_whole(use: Use, sheet: ModelSheet) -> bool:
    """Whether everything that the sheet rates was recorded of the use."""
    return (not sheet.rated_shocks or use.shocks is not None) and (not sheet.rated_minutes or use.minutes is not None)


def _standby_ends(fitted_on: date, life: int, wears: Sequence[float], taken: float) -> date:
    """The last day with charge in standby, of a battery that had `taken` of its charge used besides."""
    left = (1.0 - taken) * life + _SPENT * life  # in days of standby by the sheet
    if left < 0:
        return fitted_on - ONE_DAY
    if not wears:
        return fitted_on + timedelta(days=int(left))
    day = fitted_on
    while True:
        rate = wears[day.month - 1]
        days = (first_bad_day(month_end(day)) - day).days
        if left < days * rate:
            return day + timedelta(days=int(left / rate))
        left -= days * rate
        day += timedelta(days=days)


def _months_at_site(fitted_on: date, good: date, wears: Sequence[float], months: int) -> float:
    """The standby life in months at the site's temperatures, over the time that the sheet's life would last."""
    spans: list[tuple[float, float]] = []
    day = fitted_on
    while day < good:
        until = min(good, first_bad_day(month_end(day)))
        spans.append((float((until - day).days), months / wears[day.month - 1]))
        day = until
    return weighted_life(spans)
