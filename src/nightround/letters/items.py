"""Puts the rows of a weekly letter into words: a unit, what is overdue on it, a visit, a part to order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date
from itertools import groupby
from typing import NamedTuple

from ..settings import Settings
from . import links
from .lists import Cut
from .situation import Owing, UnitNow
from .templates import say_count, say_day, say_instant
from .wording import (
    Sources,
    act,
    because_of,
    capital,
    condition_kind,
    condition_source,
    joined,
    late,
    names,
    said,
    steps,
    thing,
)

NOTICE = "notice"  # the kind of duty that a safety notice makes
REASONS = 5  # of one unit
EXAMPLES = 6


class Item(NamedTuple):
    """One thing with what is known of it. `word` is its standing or says when; "" where the heading over it does."""

    title: str
    word: str
    lines: tuple[str, ...]
    url: str


def unit_item(settings: Settings, unit: UnitNow, *, to_do: bool = False) -> Item:
    """A unit with the reasons for its condition; with `to_do` also what to do, and who has it in hand."""
    lines = [unit.where.line]
    lines += [f"{capital(said(reason))} (source: {condition_source(reason)})." for reason in unit.reasons[:REASONS]]
    if len(unit.reasons) > REASONS:
        lines.append(f"And {len(unit.reasons) - REASONS} more reasons.")
    if to_do:
        lines += [f"To do: {step}" for step in steps(map(condition_kind, unit.reasons))]
        if unit.taken_by:
            lines.append(f"{unit.taken_by} has it until {say_instant(unit.taken_until, unit.where.zone)}.")
        elif unit.case_id is not None:
            lines.append("Nobody has said that they have it.")
    if unit.since is not None:
        lines.append(f"Known since {say_day(unit.since)}.")
    url = links.unit_url(settings, unit.where.unit)
    if to_do and unit.case_id is not None:
        url = links.case_url(settings, unit.case_id)
    return Item(unit.where.title, "", _lines(lines), url)


def overdue_item(settings: Settings, sources: Sources, duties: list[Owing]) -> Item:
    """What is overdue on one unit, or among the spares of one site, the longest first."""
    where = duties[0].where.about(duty.kind for duty in duties)
    lines = [where.line]
    for duty in duties:
        lines += overdue_lines(sources, duty, days=len(duties) > 1)
    return Item(where.title, late(duties[0].days_over), _lines(lines), _url(settings, duties[0]))


def overdue_lines(sources: Sources, duty: Owing, *, days: bool = True) -> list[str]:
    """What is overdue since when, with `days` also for how long, and who asks for it."""
    because = because_of(duty.because)
    evidence = said(because[0]["evidence"]) if because else ""
    good = duty.last_good_day
    since = "no last good day is on record" if good is None else f"last good day was {say_day(good)}"
    how_long = f"{late(duty.days_over)}, " if days else ""
    lines = [f"{capital(act(duty.kind, duty.key, duty.subject))}: {how_long}{since}{_deadline(duty)}."]
    if because:
        lines.append(f"Because: {joined(sources.cite(because), evidence, by='; ')}.")
    return lines


def visit_items(settings: Settings, sources: Sources, duties: Cut[Owing]) -> Cut[Item]:
    """What has its last good day in the coming week: a row for each day and site, with what to do there."""
    rows = []
    for (day, site), together in groupby(duties.rows, key=lambda duty: (duty.last_good_day, duty.where.site)):
        listed = list(together)
        where = listed[0].where
        passed = day is not None and day < listed[0].today
        lines = [where.address]
        lines += [_visit_line(sources, duty) for duty in listed]
        if passed:
            lines.append("That day is over; the next round will call it overdue.")
        rows.append(Item(where.site_name, f"by {say_day(day)}", _lines(lines), links.site_url(settings, site)))
    return Cut(duties.total, tuple(rows), duties.counted)


def _visit_line(sources: Sources, duty: Owing) -> str:
    because = because_of(duty.because)
    what = f"{act(duty.kind, duty.key, duty.subject)}{_deadline(duty)}"
    why = f" ({said(because[0]['evidence'])})" if because else ""
    unit = joined(duty.where.unit, duty.where.spot) or duty.where.whose
    return joined(f"{unit}: {what}{why}", sources.mark(because), by=" ")


def notice_item(settings: Settings, sources: Sources, duties: list[Owing]) -> Item:
    """An open safety notice, with what it asks and the units it means or may mean."""
    first = min(duties, key=by_day)
    codes = sorted(duty.where.unit or f"spare parts, {duty.where.site_name}" for duty in duties)
    lines = [names(codes, EXAMPLES)]
    because = because_of(first.because)
    if because:
        lines.append(f"Asked for: {joined(sources.cite(because), said(because[0]['evidence']), by='; ')}.")
    if first.last_good_day is not None:
        lines.append(f"Last good day {say_day(first.last_good_day)}.")
    url = settings.web.base_url.rstrip("/") + f"/duties?kind={NOTICE}"
    return Item(capital(said(first.subject)), say_count(len(duties), "unit"), _lines(lines), url)


def order_line(sources: Sources, duty: Owing) -> str:
    """A part to order: for which unit, by when, and until when the present one is good."""
    because = because_of(duty.because)
    past = duty.order_by is not None and duty.order_by < duty.today
    by = f"order by {say_day(duty.order_by)}{', which has passed' if past else ''}"
    good = f"good to {say_day(duty.last_good_day)}"
    low = next((said(item["evidence"]) for item in because if item["rule"] == "reading-low"), "")
    return joined(f"{duty.where.title}: {joined(by, good, low, by='; ')}", sources.mark(because), by=" ")


def recommended_line(duty: Owing) -> str:
    """Something that is recommended and never owed: what, and from when on it is."""
    what = said(duty.subject).removesuffix(" (recommended)")
    return f"{what}, since {say_day(duty.last_good_day)}" if duty.days_over else what


def part_title(key: str) -> str:
    """The heading over parts to order, from the start of their duties' keys, such as `battery/spare`."""
    kind, _, state = key.partition("/")
    return capital(f"spare {thing(kind)}" if state == "spare" else thing(kind))


def models_line(models: Counter[str]) -> str:
    """For which models the parts are; whoever orders has to know."""
    return ", ".join(f"{model}: {number}" for model, number in models.most_common())


def _deadline(duty: Owing) -> str:
    if duty.deadline is None:
        return ""
    return f", deadline {say_instant(duty.deadline, duty.where.zone)} ({duty.where.zone})"


def _url(settings: Settings, duty: Owing) -> str:
    if duty.where.unit:
        return links.unit_url(settings, duty.where.unit)
    return links.site_url(settings, duty.where.site)


def _lines(lines: Iterable[str]) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def by_day(duty: Owing) -> tuple[date, str, str, str]:
    """The earliest last good day first."""
    return (duty.last_good_day or date.max, duty.where.site, duty.where.unit, duty.key)


def by_order(duty: Owing) -> tuple[date, str, str, str]:
    """The earliest day to order by first."""
    return (duty.order_by or date.max, duty.where.site, duty.where.unit, duty.key)
