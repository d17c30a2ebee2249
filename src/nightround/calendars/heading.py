"""What stands at the head of a feed: its name and how often to look again (RFC 5545 §3.6, RFC 7986 §5).

METHOD is left out: with it every event would need an ORGANIZER. There is no VTIMEZONE, because every day is a DATE.
UID (RFC 7986 §5.3) is left out: readers that split a feed into one file an event copy the head into each, and some take
the first UID of a file for that of its event, so that one event of hundreds stays. LAST-MODIFIED is left out with it:
the answer's own header says when the whole last changed.
"""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

from icalendar import Calendar
from icalendar.prop import vText

from ..settings import Settings
from .events import octets
from .reading import EVENTS
from .scope import Scope

PRODUCT = "-//nightround//duties of defibrillators//EN"
_END = b"END:VCALENDAR\r\n"


class Counts(NamedTuple):
    """How many duties are in the feed, and how many are not and why."""

    shown: int
    not_recorded: int
    withdrawn: int
    private: int
    set_aside: int


def said(kind: str, counts: Counts) -> list[str]:
    """The sentences on what the feed holds and what it leaves out."""
    lines = []
    if not counts.shown:
        lines.append("No duty here has a date." if counts.not_recorded else "No duty is on record here.")
    if counts.not_recorded:
        where = "stands nowhere in this calendar" if kind == EVENTS else "is a task without a date"
        lines.append(f"No date recorded: {_duties(counts.not_recorded)}; each {where}. That does not mean all is well.")
    if counts.withdrawn:
        lines.append(f"Left out: {_duties(counts.withdrawn)} of units that are withdrawn.")
    if counts.private:
        whose = "people, which whoever looks after them is shown"
        lines.append(f"Left out: {_duties(counts.private)} about the certificates of {whose}.")
    if counts.set_aside:
        lines.append(f"Cannot be shown: {_duties(counts.set_aside)}; each points to the page.")
    return lines


def heading(kind: str, settings: Settings, scope: Scope, lines: list[str], source: str) -> tuple[bytes, bytes]:
    """What comes before the components and what comes after. `source` is the feed's own address, or "".

    The address holds the key; it is given only where whoever reads the bytes has the key already.
    """
    made = Calendar()
    made.add("prodid", PRODUCT)
    made.add("version", "2.0")
    # The library takes NAME for text that needs no escaping, which breaks a name with a comma in it.
    made.add("name", vText(scope.name))
    made.add("x-wr-calname", vText(scope.name))
    made.add("description", "\n".join([_purpose(kind), *lines]))
    made.add("color", settings.calendars.color)
    made.add("url", scope.page)
    every = timedelta(hours=settings.calendars.refresh_hours)
    made.add("refresh-interval", every, parameters={"VALUE": "DURATION"})
    if source:
        made.add("source", source, parameters={"VALUE": "URI"})
    before = octets(made).removesuffix(_END)
    return before, _END


def _purpose(kind: str) -> str:
    on = "stands on its last good day" if kind == EVENTS else "is due by the end of its last good day"
    return (
        f"What these defibrillators owe; each duty {on}. Calendar programs fetch this when they like, some only once a "
        "day: what is urgent comes by mail."
    )


def _duties(number: int) -> str:
    return "1 duty" if number == 1 else f"{number} duties"
