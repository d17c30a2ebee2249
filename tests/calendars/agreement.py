"""Three parsers of iCalendar read one feed and must agree on every event and task: `icalendar`, `vobject` and `ics`.

The first one also wrote it; the other two know nothing of ours. They are used where a feed must be shown to be one.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, NamedTuple

import ics
import vobject
from icalendar import Calendar


class Seen(NamedTuple):
    """What a parser says of one component. Days are civil dates, `end` the DTEND or DUE as it stands."""

    kind: str
    start: date | None
    end: date | None
    summary: str


def agreed(body: bytes) -> dict[str, Seen]:
    """What all three say, by UID. Fails with the first component on which one of them differs."""
    text = body.decode("utf-8")
    by_parser = {
        "icalendar": _by_icalendar(body),
        "vobject": _by_vobject(text),
        "ics": _by_ics(text),
    }
    ours = by_parser["icalendar"]
    assert ours, "a feed without a component is none (RFC 5545 §3.6)"
    for name, seen in by_parser.items():
        assert seen.keys() == ours.keys(), f"{name} reads other UIDs: {sorted(seen.keys() ^ ours.keys())[:3]}"
        for uid, said in ours.items():
            if name == "ics" and "\\" in said.summary:
                # It turns an escaped backslash before an n into a line break (0.7.3); the days still have to agree.
                said = said._replace(summary=seen[uid].summary)
            assert seen[uid] == said, f"{name} reads {uid} as {seen[uid]}, icalendar as {said}"
    return ours


def _by_icalendar(body: bytes) -> dict[str, Seen]:
    calendar = Calendar.from_ical(body)
    assert not calendar.errors
    found: dict[str, Seen] = {}
    for item in calendar.walk():
        if item.name not in ("VEVENT", "VTODO"):
            continue
        assert not item.errors, item.errors
        end = item.get("dtend" if item.name == "VEVENT" else "due")
        start = item.get("dtstart")
        seen = Seen(
            item.name,
            _day(start.dt) if start is not None else None,
            _day(end.dt) if end is not None else None,
            str(item["summary"]),
        )
        _put(found, str(item["uid"]), seen)
    return found


def _by_vobject(text: str) -> dict[str, Seen]:
    calendar = vobject.readOne(text, validate=True)
    found: dict[str, Seen] = {}
    for item in calendar.components():
        if item.name not in ("VEVENT", "VTODO"):
            continue
        start = getattr(item, "dtstart", None)
        end = getattr(item, "dtend" if item.name == "VEVENT" else "due", None)
        seen = Seen(
            item.name,
            _day(start.value) if start is not None else None,
            _day(end.value) if end is not None else None,
            item.summary.value,
        )
        _put(found, item.uid.value, seen)
    return found


def _by_ics(text: str) -> dict[str, Seen]:
    calendar = ics.Calendar(text)
    found: dict[str, Seen] = {}
    for item in calendar.events:
        assert item.all_day, item.uid
        _put(found, item.uid, Seen("VEVENT", _day(item.begin), _day(item.end), item.name))
    for item in calendar.todos:
        start = _day(item.begin) if item.begin is not None else None
        _put(found, item.uid, Seen("VTODO", start, _day(item.due) if item.due is not None else None, item.name))
    return found


def _day(value: Any) -> date:
    """The civil date. `ics` gives instants at midnight where the file has dates."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    assert (value.hour, value.minute, value.second) == (0, 0, 0), value
    found: date = value.date()
    return found


def _put(found: dict[str, Seen], uid: str, seen: Seen) -> None:
    assert uid not in found, f"the UID {uid} comes twice"
    found[uid] = seen


def lines(body: bytes) -> Iterable[bytes]:
    """The content lines as they are folded, without their CRLF; fails on a bare CR or LF."""
    assert body.endswith(b"\r\n")
    found = body[:-2].split(b"\r\n")
    assert not any(b"\r" in line or b"\n" in line for line in found)
    return found
