"""One duty as the bytes of one calendar component: an all-day event on its last good day, or a task.

UID, SEQUENCE and DTSTAMP come from the duty as it is stored and from the bytes that were given last (`revising`);
nothing here asks for the time or makes up an identifier, so that the same duty always gives the same bytes. A duty that
cannot be shown is replaced by a pointer to its page.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date, datetime, timedelta

from icalendar import Component, Event, Todo
from icalendar.prop import vGeo

from ..letters.links import site_url, unit_url
from ..settings import Settings
from .reading import EVENTS, TASKS, Due
from .revising import Before, Revision, revised
from .text import folded, one_line, shortened
from .words import CAUTION, categories, description, location, summary

logger = logging.getLogger("nightround.calendars")

_PLACES = 6  # decimals of a degree, RFC 5545 §3.8.1.6
_DAY = timedelta(days=1)


class _Place(vGeo):
    """GEO as RFC 5545 §3.8.1.6 writes it; the library would write 0.00001 as 1e-05."""

    def to_ical(self) -> str:
        return f"{self.latitude:.{_PLACES}f};{self.longitude:.{_PLACES}f}"


def render(due: Due, kind: str, settings: Settings, before: Before | None = None) -> tuple[bytes, bool]:
    """The component's bytes, and whether they say all that they should. `before`: what was given for the duty last.

    Where a value cannot be shown the bytes are those of a component on the same day that points to the page, and the
    log says which duty it is; the rest of the feed goes on.
    """

    def shown(by: Callable[[Due, str, Settings], Event | Todo]) -> bytes:
        def make(of: Revision) -> bytes:
            return octets(by(due._replace(sequence=of.sequence, changed_at=of.changed_at), kind, settings))

        return revised(make, due.uid, Revision(due.sequence, due.changed_at), before)

    try:
        return shown(component), True
    except Exception as error:
        why = f"{type(error).__name__}: {error}"
        logger.exception("event set aside", extra={"duty": due.id, "unit": due.unit, "why": why})
        return shown(_pointer), False


def component(due: Due, kind: str, settings: Settings) -> Event | Todo:
    """The duty as an event or a task. Raises what the values cause that cannot be shown."""
    page = _page(due, settings)
    made = blank(kind, due.uid, due.sequence, due.changed_at, summary(due), description(due, page), page)
    made.add("categories", categories(due))
    if where := location(due):
        made.add("location", where)
    if due.latitude is not None and due.longitude is not None and _on_earth(due.latitude, due.longitude):
        made.add("geo", _Place((due.latitude, due.longitude)))
    if due.last_good_day is not None:
        on_last_good_day(made, due.last_good_day, due.opens)
    return made


def octets(made: Component) -> bytes:
    """The component as it goes into the file: CRLF at the end of each line, none longer than 75 octets."""
    return b"".join(folded(line) for line in made.content_lines() if line)


def blank(
    kind: str, uid: str, sequence: int, changed_at: datetime, summary: str, description: str, page: str
) -> Event | Todo:
    """A component without its day. What is shown takes nobody's time, so an event is transparent."""
    made: Event | Todo = Todo() if kind == TASKS else Event()
    made.add("uid", uid)
    made.add("dtstamp", changed_at)
    made.add("last-modified", changed_at)
    made.add("sequence", sequence)
    made.add("summary", summary)
    made.add("description", description)
    made.add("url", page)
    if kind == TASKS:
        made.add("status", "NEEDS-ACTION")
    else:
        made.add("transp", "TRANSPARENT")
    return made


def on_last_good_day(made: Event | Todo, good: date, opens: date | None = None) -> None:
    """Puts the component on its last good day.

    An event's DTEND is the day after (RFC 5545 §3.6.1), and every reader shows it so. A task's DUE is by the letter
    the day after too: §3.6.2 reads DUE;VALUE=DATE:20070501 as "before 1 May". But readers of tasks show the DATE in DUE
    as it stands, as the day on which the task is due, and none of those tried takes a day off; the day after would
    tell people a day too late. So DUE is the last good day: whoever reads it by the letter is a day early, nobody late.
    DTSTART must be before DUE (§3.8.2.3).
    """
    if isinstance(made, Todo):
        if opens is not None and opens < good:
            made.add("dtstart", opens)
        made.add("due", good)
    else:
        made.add("dtstart", good)
        made.add("dtend", good + _DAY)


def _pointer(due: Due, kind: str, settings: Settings) -> Event | Todo:
    """Stands in for a duty that cannot be shown; of the register it uses no more than the unit's code."""
    title = f"See the page: a duty of {one_line(due.unit) or one_line(due.site)} cannot be shown here"
    says = f"Something on record here cannot be shown in a calendar. See the page. {CAUTION}"
    made = blank(kind, due.uid, due.sequence, due.changed_at, shortened(title), says, _page(due, settings))
    if due.last_good_day is not None and due.last_good_day < date.max:
        on_last_good_day(made, due.last_good_day)
    elif kind == EVENTS:
        made.add("dtstart", due.last_good_day or due.changed_at.date())
    return made


def _page(due: Due, settings: Settings) -> str:
    return unit_url(settings, due.unit) if due.unit else site_url(settings, due.site)


def _on_earth(latitude: float, longitude: float) -> bool:
    return -90 <= latitude <= 90 and -180 <= longitude <= 180
