"""Dates of parts: pads, batteries and kit, fitted or spare (reckoning.md §2).

A printed date is a limit that nothing here can move back; standby life and readings only bring it forward.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from .beginnings import Starts, always
from .dates import WorkingDays, add_months, last_good_day
from .drain import drain_limit
from .facts import Evidence, Part
from .owed import Because, Duty, Standing, by_date
from .rules import Force, ModelSheet, Rule, Span, Subject

WINDOW_DAYS = 30  # parts open this long before their last good day
NO_DATE = "no date recorded"

FROM_FITTING = (Span.DAYS, Span.MONTHS, Span.MONTHS_TO_MONTH_END, Span.EACH)


class Limits(NamedTuple):
    """What bounds a fitted part besides its label: hard limits, and since when a reading asks to order."""

    because: tuple[Because, ...] = ()
    low_on: date | None = None


NONE = Limits()


def subject_of(kind: str) -> Subject:
    """Which rules bind a part of that kind."""
    if kind == "battery":
        return Subject.BATTERY
    return Subject.PADS if kind.startswith("pads-") else Subject.KIT


def limits_of(part: Part, evidence: Evidence, sheet: ModelSheet | None, celsius: tuple[float, ...] = ()) -> Limits:
    """The limits of a fitted part from the model sheet and from readings; a spare has none.

    `celsius` are the mean temperatures of the months where it stands, empty where nobody recorded them.
    """
    if part.state != "fitted":
        return NONE
    if part.kind == "battery":
        found = []
        if sheet is not None and sheet.standby_months is not None and part.fitted_on is not None:
            good = add_months(part.fitted_on, sheet.standby_months)
            said = f"fitted {part.fitted_on}, standby life {sheet.standby_months} months"
            title = f"Standby life of {sheet.model}"
            found.append(
                Because("standby-life", title, Force.MANUFACTURER, sheet.source, sheet.verified_on, good, said)
            )
            drained = drain_limit(part, evidence.uses, sheet, celsius)
            if drained is not None:
                found.append(drained)
        if evidence.battery_empty_on is not None:
            found.append(
                _reading(
                    "reading-empty",
                    "An empty battery is replaced at the earliest opportunity",
                    evidence.battery_empty_on,
                    "battery empty or removed",
                )
            )
        return Limits(tuple(found), evidence.battery_low_on)
    if part.kind.startswith("pads-"):
        said_of = evidence.of_pads(part.kind)
        since = [day for day in (said_of.bad_on, said_of.missing_on) if day is not None]
        if since or said_of.low_on is not None:
            title = "Opened, used, expired or missing pads are replaced at the earliest opportunity"
            because = tuple(_reading("reading-pads", title, day, "pads bad or missing") for day in sorted(since)[:1])
            return Limits(because, said_of.low_on)
    return NONE


def at_hand(day: date, part: Part, parts: Iterable[Part], ordered: Iterable[tuple[str, date]]) -> date | None:
    """Until when there is something to put in the place of a part: the last good day of the best spare that can be
    used still; `date.max` where one is on its way. None: there is nothing.

    An order counts while the day it is expected is still ahead. A part never covers itself.
    """
    if any(kind == part.kind and expected > day for kind, expected in ordered):
        return date.max
    spares = (one for one in parts if one.state == "spare" and one.kind == part.kind and one.id != part.id)
    found = [one.last_good_day for one in spares if one.last_good_day is not None and one.last_good_day >= day]
    return max(found, default=None)


def part_duty(
    day: date,
    part: Part,
    rules: Sequence[Rule],
    limits: Limits,
    working: WorkingDays,
    starts: Starts = always,
) -> Duty:
    """The duty to replace one part, by the earliest of its dates. `key` and `period` are left for the caller.

    Nothing is known here of what is at hand: see `relieved`.
    No rule's start moves back a printed date, a standby life or what a reading says.
    """
    found = list(limits.because)
    silent: list[Because] = []
    for rule in rules:
        _apply(rule, part, working, starts, found, silent)
    if not any(rule.shape.span is Span.LABEL for rule in rules):
        _print_date(part, found, silent)
    if limits.low_on is not None:
        silent.append(
            _reading("reading-low", "A low reading means: order now", None, f"reading low since {limits.low_on}")
        )
    because = by_date(found, silent)
    subject = f"{part.kind}, {part.state}"
    if not found:
        nothing = Standing.NOT_RECORDED
        return Duty("", part.kind, subject, nothing, None, None, None, None, "coordinator", "", because)
    good = because[0].last_good_day or date.max
    lead = max((rule.order_lead_months or 0 for rule in rules), default=0)
    order_by = working.back_to_working(add_months(good, -lead))
    if limits.low_on is not None:
        order_by = min(order_by, limits.low_on)
    opening = good - timedelta(days=WINDOW_DAYS)
    standing = _standing(day, good, order_by, opening)
    return Duty("", part.kind, subject, standing, opening, order_by, good, None, "coordinator", "", because)


def missing_part_duty(kind: str, rules: Sequence[Rule], evidence: Evidence, day: date) -> Duty:
    """The duty of a part that must be fitted and of which none is on record.

    Where the log says since when it is missing the duty has that day; otherwise it is `not recorded`.
    """
    since = evidence.of_pads(kind).missing_on if kind.startswith("pads-") else None
    if kind == "battery":
        since = evidence.battery_empty_on
    said = f"no fitted {kind} on record" if since is None else f"none fitted since {since}"
    because = tuple(Because.of(rule, since, said) for rule in rules) or (_label(since, said),)
    key, subject = f"{kind}/fitted/none", f"{kind}, fitted"
    if since is None:
        nothing = Standing.NOT_RECORDED
        return Duty(key, kind, subject, nothing, None, None, None, None, "coordinator", key, because)
    standing = Standing.OVERDUE if day > since else Standing.OPEN
    return Duty(key, kind, subject, standing, since, None, since, None, "coordinator", key, because)


def kinds_wanted(fitted: set[str], sheet: ModelSheet | None) -> tuple[str, ...]:
    """The kinds that must be fitted and of which none is on record as fitted.

    The model sheet says which; where there is none, a battery and adult pads. Universal pads serve adults and
    children; a model that changes to child mode by a switch needs no child pads.
    """
    wanted: tuple[str, ...] = ("battery",)
    if sheet is not None and sheet.pads:
        wanted += sheet.pads
    elif not any(kind.startswith("pads-") for kind in fitted):
        wanted += ("pads-adult",)
    if sheet is not None:
        wanted += sheet.kit
        if sheet.child_by_switch:
            wanted = tuple(kind for kind in wanted if kind != "pads-child")
    if "pads-universal" in fitted:
        wanted = tuple(kind for kind in wanted if kind not in ("pads-adult", "pads-child"))
    return tuple(kind for kind in wanted if kind not in fitted)


def _apply(
    rule: Rule,
    part: Part,
    working: WorkingDays,
    starts: Starts,
    found: list[Because],
    silent: list[Because],
) -> None:
    if rule.shape.span is Span.LABEL:
        if part.last_good_day is None:
            silent.append(Because.of(rule, None, NO_DATE))
        else:
            found.append(Because.of(rule, part.last_good_day, f"label date, good to {part.last_good_day}"))
    elif rule.shape.span in FROM_FITTING and part.state == "fitted":
        if part.fitted_on is None:
            silent.append(Because.of(rule, None, "no day of fitting recorded"))
        else:
            good, begun = last_good_day(rule.shape, part.fitted_on, working), starts(rule)
            found.append(Because.of(rule, begun.floor(good), begun.said(f"fitted {part.fitted_on}", good)))


def _print_date(part: Part, found: list[Because], silent: list[Because]) -> None:
    """A printed date binds whatever the packs say."""
    if part.last_good_day is None:
        silent.append(_label(None, NO_DATE))
    else:
        found.append(_label(part.last_good_day, f"label date, good to {part.last_good_day}"))


def _label(good: date | None, said: str) -> Because:
    return Because("label", "A part is good to its printed date", Force.MANUFACTURER, "the label", None, good, said)


def _reading(rule: str, title: str, good: date | None, said: str) -> Because:
    text = said if good is None else f"{said}, {good}"
    return Because(rule, title, Force.COMMON_PRACTICE, "common practice", None, good, text)


def relieved(day: date, duty: Duty, spare_until: date | None) -> Duty:
    """The duty of a part to order now, where what `at_hand` says outlasts the part: then nothing is to be ordered."""
    good, opening = duty.last_good_day, duty.opens
    if good is None or opening is None or spare_until is None or spare_until <= good:
        return duty
    return duty._replace(standing=Standing.OPEN if day >= opening else Standing.AHEAD)


def _standing(day: date, good: date, order_by: date, opening: date) -> Standing:
    if day > good:
        return Standing.OVERDUE
    if day >= order_by:
        return Standing.ORDER_NOW
    return Standing.OPEN if day >= opening else Standing.AHEAD
