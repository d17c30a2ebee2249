"""A rehearsal as the bytes of one iCalendar file: a timed event a message. The same rehearsal, the same bytes."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from icalendar import Calendar, Event
from icalendar.prop import vText

from ..calendars.events import octets
from ..calendars.text import joined, one_line, shortened
from ..settings import Settings
from .programme import Message, Programme

PRODUCT = "-//nightround//rehearsal//EN"
SHOWN = timedelta(minutes=15)  # a message takes no time; an event without any is hardly seen
_NAMESPACE = uuid.UUID("6b0f5f0a-4f1c-5c66-9a2b-0d5b6f1f8e11")
_CAUTION = "A rehearsal: nothing of this has been sent, and what happens in the meantime changes it."


def written(settings: Settings, found: Programme, made_at: datetime) -> bytes:
    """The file. Where no message would go at all, one event at the beginning says so (RFC 5545 §3.6 asks for one)."""
    name = f"Rehearsal – {one_line(settings.fleet.name)}"
    made = Calendar()
    made.add("prodid", PRODUCT)
    made.add("version", "2.0")
    made.add("name", vText(name))
    made.add("x-wr-calname", vText(name))
    made.add("description", _CAUTION)
    seen: dict[str, int] = {}
    for message in found.messages:
        if message.at is not None:
            # Two messages may be alike in all that is said of them; they are two all the same.
            what = f"{message.at.isoformat()} {message.to} {message.kind} {message.subject}"
            seen[what] = seen.get(what, 0) + 1
            summary = f"{message.person or message.to}: {message.subject}"
            made.add_component(_event(f"{what} {seen[what]}", message.at, summary, _said(message), made_at))
    if not found.messages:
        made.add_component(_event("none", found.start, "No message would go in these days", "", made_at))
    return octets(made)


def _event(what: str, at: datetime, summary: str, said: str, made_at: datetime) -> Event:
    made = Event()
    made.add("uid", str(uuid.uuid5(_NAMESPACE, what)))
    made.add("dtstamp", made_at.replace(microsecond=0))
    made.add("dtstart", at)
    made.add("dtend", at + SHOWN)
    made.add("summary", shortened(one_line(summary)))
    made.add("description", joined(said, _CAUTION, by="\n"))
    made.add("categories", ["rehearsal"])
    made.add("transp", "TRANSPARENT")
    return made


def _said(message: Message) -> str:
    about = f"About {one_line(', '.join(message.about))}." if message.about else ""
    return joined(f"To {one_line(message.to)}: {message.kind}.", about, by=" ")
