"""Whether a site has people: responders with a certificate in date, and somebody left who can be reached.

Both are known ahead: each duty's last good day is the last on which there is still enough. Nobody counts after their
last day with us, and nobody whose certificate has no date on record.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from .certificates import ROLE, WINDOW_DAYS
from .owed import Because, Duty, Standing, standing_of
from .rules import Force, Rule, Subject

RESPONDERS, CONTACT = str(Subject.RESPONDERS), "no-contact"
_NAMED = 6


class Responder(NamedTuple):
    """Somebody trained, at a site. `until`: the last day on which they count; None: no date on record."""

    person: str
    until: date | None


class Contact(NamedTuple):
    """A site contact or coordinator of a site. `reached`: a usable address; `left_on`: the last day with us."""

    person: str
    reached: bool
    left_on: date | None


class Needed(NamedTuple):
    """How many responders a site is to have, and by whose word, that which asks for most first."""

    number: int
    because: tuple[Because, ...]


def needed(own: int | None, default: int, rules: Iterable[Rule], units: int) -> Needed:
    """The number for a site with so many units. `own` is what is set for the site, in place of the `default`.

    The default and rules are for sites with units; the most that anybody asks for counts.
    """
    asked: list[tuple[int, Because]] = []
    number = own if own is not None else default if units > 0 else 0
    if number > 0:
        where = "set for this site" if own is not None else "set for every site"
        because = Because("responders-set", "Responders wanted", Force.HOUSE, where, None, None, f"{where}: {number}")
        asked.append((number, because))
    for rule in rules:
        if rule.subject is Subject.RESPONDERS and rule.staffing is not None:
            number = rule.staffing.needed(units)
            if number > 0:
                asked.append((number, Because.of(rule, None, f"{number} for {units} units")))
    asked.sort(key=lambda item: (-item[0], item[1].rule))
    return Needed(asked[0][0] if asked else 0, tuple(because for _, because in asked))


def responders_duty(day: date, wanted: Needed, responders: Sequence[Responder]) -> Duty | None:
    """The duty to have enough responders in date; None where none are wanted.

    Overdue from the first day on which there are too few. Where there never were enough on record, it is overdue and
    has no last good day.
    """
    if wanted.number <= 0:
        return None
    untils = sorted((one.until for one in responders if one.until is not None), reverse=True)
    good = untils[wanted.number - 1] if len(untils) >= wanted.number else None
    said = _said(wanted.number, good, responders)
    because = tuple(
        item._replace(last_good_day=good if place == 0 else None, evidence=f"{item.evidence}; {said}")
        for place, item in enumerate(wanted.because)
    )
    key, subject = RESPONDERS, f"responders with a certificate in date: {wanted.number} wanted"
    if good is None:
        return Duty(key, RESPONDERS, subject, Standing.OVERDUE, None, None, None, None, ROLE, key, because)
    opens = good - timedelta(days=WINDOW_DAYS)
    standing = standing_of(day, opens, good)
    return Duty(key, RESPONDERS, subject, standing, opens, None, good, None, ROLE, key, because)


def contact_duty(day: date, contacts: Sequence[Contact], everywhere: Sequence[Contact] = ()) -> Duty | None:
    """The duty to name somebody for a site whose last reachable contact leaves or has left; None where none is owed.

    `contacts` are those named for the site, `everywhere` those of the whole fleet, who stand in only for one another:
    where somebody of the site leaves, that a coordinator of the fleet is left is no reason to say nothing. A site from
    which nobody leaves owes nothing here, even where nobody was ever named for it.
    """
    here = any(one.left_on is not None for one in contacts)
    asked = contacts if here else (*contacts, *everywhere)
    days = [one.left_on for one in asked if one.left_on is not None]
    if not days or any(one.reached and one.left_on is None for one in asked):
        return None
    good = max(days)
    gone = ", ".join(one.person for one in asked if one.left_on == good)
    said = f"last day of {gone}: {good}; nobody who can be reached is named after that"
    title = "Every site has a site contact or coordinator who can be reached"
    because = (Because(CONTACT, title, Force.COMMON_PRACTICE, "common practice", None, good, said),)
    opens = good - timedelta(days=WINDOW_DAYS)
    subject = f"without contact: nobody is left for the site after {good}"
    standing = standing_of(day, opens, good)
    return Duty(CONTACT, CONTACT, subject, standing, opens, None, good, None, ROLE, f"last day {good}", because)


def _said(number: int, good: date | None, responders: Sequence[Responder]) -> str:
    """Who counts until when, the longest first, and from which day there are too few; the same on every day."""
    listed = sorted(responders, key=lambda one: (one.until is None, -(one.until or date.max).toordinal(), one.person))
    named = [f"{one.person} {f'to {one.until}' if one.until else 'no date on record'}" for one in listed[:_NAMED]]
    if len(listed) > _NAMED:
        named.append(f"{len(listed) - _NAMED} more")
    who = ", ".join(named) or "none recorded"
    if good is None:
        return f"{who}; there never were {number} with a date on record"
    return f"{who}; too few from {good + timedelta(days=1)} on"
