"""Reads a calendar file (RFC 5545) into the shifts of a span of time. Nothing in it is dropped without a word.

Each VEVENT is a shift. What is read: DTSTART with DTEND or DURATION; RRULE, RDATE, EXDATE; RECURRENCE-ID (a swap) with
RANGE=THISANDFUTURE; STATUS:CANCELLED (no shift); SEQUENCE. TRANSP says nothing about a shift. VTODO, VJOURNAL, VALARM
and VFREEBUSY are none.

A time with a zone is of that zone and stays at the same hour of its clock when that changes: the end too, so a shift
"18:00 to 06:00" lasts 11 or 13 hours in those two nights, as every calendar shows it (RFC 5545 §3.8.5.3 would keep the
exact length of a DTEND; an hour would then be left without anybody in autumn). A time or day without one is of
X-WR-TIMEZONE, else of the fleet. All-day shifts run from the start of the first day to the end of the last, DTEND being
the day after (§3.6.1).
"""

from __future__ import annotations

import time as clocks
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
from icalendar.timezone import tzp
from recurring_ical_events import CalendarQuery

from ...errors import UserError
from .bounds import MOST_EVENTS, too_much, wrong_days, wrong_rule

_MARGIN = timedelta(days=2)  # between a civil day or a time without a zone and the instants asked for
_LONGEST = timedelta(days=366)
LONGEST_SECONDS = 10.0  # for the shifts of one span of time; whoever waits for letters waits for it
_READ = ("DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID", "STATUS", "SEQUENCE")
_SECOND = timedelta(seconds=1)
_NEVER = datetime.min.replace(tzinfo=UTC)


class Unreadable(UserError):
    """The file as a whole is no calendar."""


@dataclass(frozen=True, slots=True)
class FileShift:
    """A shift as the file has it: instants in UTC, `until_at` exclusive; who by their addresses and by the title."""

    from_at: datetime
    until_at: datetime
    addresses: tuple[str, ...]  # of attendees who take part, without "mailto:"
    title: str
    event: str  # how a finding names it


@dataclass(frozen=True, slots=True)
class Reading:
    """What the file says of a span of time. `problems`: one sentence for each event that could not be read."""

    shifts: tuple[FileShift, ...]
    problems: tuple[str, ...]


class CalendarFile:
    """One reading of a file's bytes. Raises Unreadable where they are no calendar, or more than a rota can be."""

    def __init__(self, body: bytes) -> None:
        if wrong := too_much(body):
            raise Unreadable(wrong)
        tzp.use_zoneinfo()  # forgets zones that another file described: one of the same name may be another
        try:
            self._calendars = icalendar.Calendar.from_ical(body, multiple=True)
        except Exception as error:  # whatever a library meets in a file, the file is what is wrong
            why = " ".join(str(error).split())[:120]
            raise Unreadable(f"is not an iCalendar file ({why}); export it again from the calendar") from None
        if not self._calendars or any(calendar.name != "VCALENDAR" for calendar in self._calendars):
            raise Unreadable("is not an iCalendar file: it does not begin with BEGIN:VCALENDAR; export it again")

    def between(self, start: datetime, end: datetime, zone: ZoneInfo) -> Reading:
        """The shifts that reach into the time from `start` to `end`, by their start.

        Raises Unreadable where they are more than a rota can hold, or are not found in time.
        """
        began = clocks.monotonic()
        shifts: list[FileShift] = []
        problems: list[str] = []
        for calendar in self._calendars:
            home, problem = _home(calendar, zone)
            problems += [problem] if problem else []
            for series in _series(calendar):
                if clocks.monotonic() - began > LONGEST_SECONDS or len(shifts) > MOST_EVENTS:
                    raise Unreadable(
                        f"takes longer than {LONGEST_SECONDS:.0f} seconds to read, or holds more than {MOST_EVENTS} "
                        "shifts; export only the coming year"
                    )
                try:
                    shifts += _Series(calendar, series, home, problems, end).between(start, end)
                except Exception as error:  # whatever one event holds, the others stand
                    problems.append(f"{_named(series[0])} cannot be read: {_why(error)}; correct it in the calendar")
        shifts.sort(key=lambda shift: (shift.from_at, shift.until_at, shift.addresses, shift.title))
        return Reading(tuple(shifts), tuple(dict.fromkeys(problems)))

    def mentioned(self) -> tuple[FileShift, ...]:
        """Every event that names somebody, whenever it is, not expanded: its times say nothing."""
        found = []
        for calendar in self._calendars:
            for event in calendar.walk("VEVENT"):
                title = " ".join(str(event.get("SUMMARY", "")).split())
                found.append(FileShift(_NEVER, _NEVER, tuple(_taking_part(event)), title, ""))
        return tuple(dict.fromkeys(found))


def _home(calendar: icalendar.Calendar, zone: ZoneInfo) -> tuple[ZoneInfo, str]:
    """The zone of what has none, and what is wrong with the one that the file names."""
    name = str(calendar.get("X-WR-TIMEZONE", "")).strip()
    if not name:
        return zone, ""
    try:
        return ZoneInfo(name), ""
    except (KeyError, ValueError, OSError):
        return zone, f"X-WR-TIMEZONE {name!r} is not a known time zone; times without one are read as {zone.key}"


def _series(calendar: icalendar.Calendar) -> list[list[Any]]:
    """The events of one UID: the recurring one and its exceptions."""
    held: dict[str, list[Any]] = {}
    for number, event in enumerate(calendar.walk("VEVENT")):
        held.setdefault(str(event.get("UID", f"\0{number}")), []).append(event)
    return list(held.values())


class _Series:
    """The events of one UID, checked and expanded."""

    def __init__(
        self,
        calendar: icalendar.Calendar,
        events: Sequence[Any],
        home: ZoneInfo,
        problems: list[str],
        until: datetime,
    ) -> None:
        self._home = home
        self._until = until
        self._problems = problems
        self._alone = icalendar.Calendar()
        if "CALSCALE" in calendar:
            self._alone["CALSCALE"] = calendar["CALSCALE"]
        for event in events:
            if self._is_good(event):
                self._alone.add_component(self._meant(event))

    def _is_good(self, event: Any) -> bool:
        """Says what makes the event useless, before a library mends it in its own way."""
        broken = [f"{name}: {why}" for name, why in event.errors if name in _READ]
        if broken:
            self._bad(event, "; ".join(broken))
            return False
        if "DTSTART" not in event:
            self._bad(event, "it has no DTSTART")
            return False
        if wrong := wrong_days(event):
            self._bad(event, wrong)
            return False
        start, end = event["DTSTART"].dt, event["DTEND"].dt if "DTEND" in event else None
        for name in ("DTSTART", "DTEND", "RECURRENCE-ID"):
            zone = str(event[name].params.get("TZID", "")) if name in event else ""
            if zone and isinstance(event[name].dt, datetime) and event[name].dt.tzinfo is None:
                self._problems.append(
                    f"{_named(event)}: time zone {zone!r} is not known; it is read as {self._home.key}"
                )
        if end is not None and isinstance(end, datetime) != isinstance(start, datetime):
            self._bad(event, "DTSTART and DTEND are not both days or both times")
            return False
        if end is not None and self._utc(end) <= self._utc(start):
            self._bad(event, "it ends no later than it begins")
            return False
        length = event["DURATION"].dt if "DURATION" in event else None
        if length is not None and length <= timedelta():
            self._bad(event, "its DURATION is not longer than nothing")
            return False
        if end is None and length is None and isinstance(start, datetime):
            self._bad(event, "it has a time of start and no end (DTEND or DURATION)")
            return False
        if (length or (self._utc(end) - self._utc(start) if end is not None else timedelta())) > _LONGEST:
            self._bad(event, "it is longer than a year")
            return False
        for rule in _listed(event.get("RRULE")):
            if wrong := wrong_rule(rule, start, self._until):
                self._bad(event, wrong)
                return False
        return True

    def _meant(self, event: Any) -> Any:
        """The event as whoever wrote it meant its rules: one for times that ends on a day ends with that day, and one
        that ends at a time without a zone ends by the clock of the shift."""
        start = event["DTSTART"].dt
        rules = _listed(event.get("RRULE"))
        if not rules or not isinstance(start, datetime):
            return event
        made = []
        for given in rules:
            rule = icalendar.vRecur(given)
            until = rule.get("UNTIL", [None])[0]
            if until is not None:
                if not isinstance(until, datetime):
                    until = datetime.combine(until + timedelta(days=1), time()) - _SECOND
                if until.tzinfo is None and start.tzinfo is not None:
                    until = until.replace(tzinfo=start.tzinfo).astimezone(UTC)
                rule["UNTIL"] = [until]
            made.append(rule)
        copied = event.copy()
        copied["RRULE"] = made if len(made) > 1 else made[0]
        return copied

    def _bad(self, event: Any, why: str) -> None:
        self._problems.append(f"{_named(event)} is no shift: {why}; correct it in the calendar")

    def between(self, start: datetime, end: datetime) -> Iterator[FileShift]:
        if not self._alone.subcomponents:
            return
        for found in CalendarQuery(self._alone).between(start - _MARGIN, end + _MARGIN):
            if str(found.get("STATUS", "")).upper() == "CANCELLED":
                continue
            from_at, until_at = self._utc(found["DTSTART"].dt), self._utc(found["DTEND"].dt)
            if from_at < end and until_at > start:
                title = " ".join(str(found.get("SUMMARY", "")).split())
                yield FileShift(from_at, until_at, tuple(_taking_part(found)), title, _named(found))

    def _utc(self, value: date) -> datetime:
        """A day, a time without a zone or a time with one as an instant. One that the clock skips counts by the offset
        before the change, one that it repeats is the first (RFC 5545 §3.3.5)."""
        if not isinstance(value, datetime):
            value = datetime.combine(value, time())
        if value.tzinfo is None:
            value = value.replace(tzinfo=self._home)
        return value.replace(fold=0).astimezone(UTC)


def _listed(value: Any) -> list[Any]:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def _taking_part(event: Any) -> Iterator[str]:
    """Attendees who hold the shift: not who declined, is only informed, or is a room or a thing (RFC 5545 §3.2)."""
    for attendee in _listed(event.get("ATTENDEE")):
        said = {name: str(attendee.params.get(name, "")).upper() for name in ("PARTSTAT", "ROLE", "CUTYPE")}
        if said["PARTSTAT"] == "DECLINED" or said["ROLE"] == "NON-PARTICIPANT":
            continue
        if said["CUTYPE"] in ("ROOM", "RESOURCE"):
            continue
        address = str(attendee).strip()
        yield address[len("mailto:") :] if address[: len("mailto:")].lower() == "mailto:" else address


def _named(event: Any) -> str:
    """How a person finds the event again: its title and its day."""
    title = " ".join(str(event.get("SUMMARY", "")).split())[:80]
    what = f"event {title!r}" if title else "an event without a title"
    try:
        return f"{what} of {event['DTSTART'].dt:%Y-%m-%d}"
    except Exception:  # a broken DTSTART is what the finding is about
        return what


def _why(error: Exception) -> str:
    return " ".join(str(error).split())[:160] or type(error).__name__
