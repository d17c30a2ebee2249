"""Says which rules of the book bind where, why, and which of them are left out and why. Reads only; decides nothing.

What is said here is what `reckoning.rules.binding` does, for people to check: it never says more than the packs do.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, func, select

from ..errors import UserError
from ..reckoning.dates import add_months
from ..reckoning.facts import Place
from ..reckoning.rules import Rule, Shape, Span, Subject, binding
from ..store.tables import sites, units
from .shapes import PARTS, PEOPLE, ROUNDS

CAUTION = (
    "This is what the rule packs hold, not legal advice: each rule names its source and the day somebody last read it. "
    "Read the source, and ask whoever advises you, before you rely on it."
)
FRESH_MONTHS = 12


class Kind(NamedTuple):
    """A kind of place in the fleet: what decides which rules bind there, and how much stands there."""

    place: Place  # its time zone is "": no rule looks at it
    sites: int
    units: int


class Bound(NamedTuple):
    """A rule that binds, and what makes it bind there."""

    rule: Rule
    why: str


class LeftOut(NamedTuple):
    """A rule that is for the place and does not bind on the day, and why not."""

    rule: Rule
    why_not: str


def kinds(conn: Connection, site: str | None = None, among: ColumnElement[bool] | None = None) -> list[Kind]:
    """The kinds of place in the fleet, or that of one site, or of the sites for which a clause holds.

    Raises UserError for a site that is not known.
    """
    query = (
        select(
            sites.c.country,
            sites.c.subdivision,
            sites.c.site_type,
            func.count(sites.c.id.distinct()),
            func.count(units.c.id),
        )
        .outerjoin(units, units.c.site_id == sites.c.id)
        .group_by(sites.c.country, sites.c.subdivision, sites.c.site_type)
        .order_by(sites.c.country, sites.c.subdivision, sites.c.site_type)
    )
    if site is not None:
        query = query.where(sites.c.site == site)
    if among is not None:
        query = query.where(among)
    found = [Kind(Place("", *row[:3]), *row[3:]) for row in conn.execute(query)]
    if site is not None and not found:
        raise UserError(f"site {site!r} is not in the register; see the sites with: nightround export DIR")
    return found


def sort_out(rules: Iterable[Rule], place: Place, day: date) -> tuple[list[Bound], list[LeftOut]]:
    """The rules for the place: those that bind on the day, by subject, and those left out, each with the reason."""
    here = [rule for rule in rules if rule.binds_at(place)]
    bound = {rule.id for rule in binding(here, place, day)}
    binds = [Bound(rule, _why(rule)) for rule in here if rule.id in bound]
    left_out = [LeftOut(rule, _why_not(rule, here, day)) for rule in here if rule.id not in bound]
    binds.sort(key=lambda item: (item.rule.subject, item.rule.id))
    left_out.sort(key=lambda item: (item.rule.subject, item.rule.id))
    return binds, left_out


def unknown_of(rules: Iterable[Rule], place: Place) -> list[str]:
    """What is not recorded of a place though rules look at it: one sentence each; such a rule cannot bind there."""
    rules = list(rules)
    if not place.country:
        national = any(rule.country for rule in rules)
        return ["no country is recorded: only rules that hold everywhere can bind here"] if national else []
    said = []
    of_country = [rule for rule in rules if rule.country == place.country]
    parts = sorted({rule.subdivision for rule in of_country if rule.subdivision})
    if parts and not place.subdivision:
        said.append(f"no subdivision is recorded: rules of {', '.join(parts)} cannot be told to bind here or not")
    here = [rule for rule in rules if rule._replace(site_types=()).binds_at(place)]
    types = sorted({word for rule in here for word in rule.site_types})
    if types and not place.site_type:
        said.append(f"no site type is recorded: rules for {', '.join(types)} cannot be told to bind here or not")
    return said


def is_old(verified_on: date, day: date) -> bool:
    """Whether the source was last read more than a year before the day."""
    return add_months(verified_on, FRESH_MONTHS) < day


def place_words(place: Place) -> str:
    """`US, CA, school`; what is not recorded says so."""
    country = place.country or "no country recorded"
    return ", ".join(word for word in (country, place.subdivision, place.site_type) if word)


def effective_words(rule: Rule) -> str:
    """When the rule counts, its first and last day inside; "" where it always does."""
    if rule.not_in_force:
        return f"not in force: {rule.not_in_force}"
    first = f"from {rule.effective_from}" if rule.effective_from is not None else ""
    last = f"to {rule.effective_to}" if rule.effective_to is not None else ""
    return " ".join(word for word in (first, last) if word)


def owed_words(rule: Rule) -> str:
    """The rule's shape in words: how often, or how soon."""
    if rule.subject is Subject.RECORDS:
        return _kept_words(rule.shape)
    if rule.subject in PARTS:
        return _part_words(rule.shape)
    if rule.subject is Subject.RESPONDERS:
        return _staffing_words(rule)
    if rule.subject in PEOPLE:
        return _certificate_words(rule)
    said = _span_words(rule.shape)
    span = rule.shape.span
    if span is Span.EACH:
        return said
    if rule.subject in ROUNDS:
        return said if span is Span.PER_MODEL else f"at least every {said.removeprefix('1 ')}"
    return said if span is Span.AT_ONCE else f"within {said}"


def _kept_words(shape: Shape) -> str:
    if shape.span is Span.KEPT_MONTHS:
        return f"kept for {_count(shape.n, 'month')}"
    if shape.span is Span.KEPT_AFTER_ROLE:
        return f"kept while the person has the role and {_count(shape.n, 'month')} after"
    return str(shape.span)


def _staffing_words(rule: Rule) -> str:
    asked = rule.staffing
    if asked is None:
        return "a number of responders"
    said = [f"at least {_count(asked.at_least, 'responder')}"] if asked.at_least else []
    if asked.per_unit_up_to:
        said.append(f"one responder a unit up to {asked.per_unit_up_to} units")
    if asked.then_per:
        said.append(f"then one for every {asked.then_per} units more")
    return ", ".join(said)


def _certificate_words(rule: Rule) -> str:
    names = "every certificate" if "*" in rule.certificates else f"certificates named {', '.join(rule.certificates)}"
    what = f"{rule.part} in {names}" if rule.part else names
    if rule.shape.span is Span.EACH:
        return f"{what}: to the end of the {rule.shape.period} after the one of issue"
    if rule.subject is Subject.REFRESHER:
        return f"{what}: trained again within {_span_words(rule.shape)}, recommended"
    return f"{what}: good for {_span_words(rule.shape)} from the day of issue"


def _part_words(shape: Shape) -> str:
    if shape.span is Span.LABEL:
        return "by its label date"
    if shape.span is Span.EACH:
        return f"by the end of the {shape.period} after the one in which it was fitted"
    return f"within {_span_words(shape)} of being fitted"


def _span_words(shape: Shape) -> str:
    n, span = shape.n, shape.span
    if span is Span.EACH:
        return (
            "once each ISO week, Monday to Sunday" if shape.period == "week" else f"once each calendar {shape.period}"
        )
    if span is Span.MONTHS_TO_MONTH_END:
        return f"{_count(n, 'month')}, to the end of the month"
    if span is Span.PER_MODEL:
        return "as often as the model sheet says"
    if span is Span.AT_ONCE:
        return "at once"
    units_of = {Span.DAYS: "day", Span.MONTHS: "month", Span.WORKING_DAYS: "working day", Span.HOURS: "hour"}
    return _count(n, units_of[span])


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _why(rule: Rule) -> str:
    said = []
    if rule.country:
        said.append(f"country {rule.country}")
    if rule.subdivision:
        said.append(f"subdivision {rule.subdivision}")
    if rule.site_types:
        said.append(f"site type {' or '.join(rule.site_types)}")
    return ", ".join(said) or "every place"


def _why_not(rule: Rule, here: Iterable[Rule], day: date) -> str:
    if rule.not_in_force:
        return f"not in force: {rule.not_in_force}"
    if rule.effective_to is not None and rule.effective_to < day:
        return f"ended {rule.effective_to}"
    if rule.effective_from is not None and rule.effective_from > day:
        return f"starts {rule.effective_from}"
    by = sorted(other.id for other in here if other.in_force(day) and rule.id in other.replaces)
    return f"replaced by {', '.join(by)}"
