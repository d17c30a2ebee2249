"""What a calendar file may hold, so that reading it comes to an end: refused before any library expands it.

A rota is a few shifts a day for some years. What is far beyond that is a slip or malice; either way whoever waits for
letters must not wait for it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from dateutil.rrule import rrulestr

MOST_EVENTS = 10_000
MOST_DATES = 20_000  # further dates and dates left out (RDATE, EXDATE) of the whole file
MOST_ZONES = 200
MOST_SHIFTS = 100_000  # of one rule, from its beginning to the end of what is asked for
MOST_MOVED = timedelta(days=366)  # between a swap's own beginning and the shift that it takes the place of
FIRST_YEAR, LAST_YEAR = 1970, 2200
_LONGEST_NAME = 64  # characters of a time zone's name
_LONGEST_RULE = 500
_DEEPEST = 50  # components within each other

_OFTEN = ("SECONDLY", "MINUTELY")
_KNOWN = ("HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY")
_BY_CLOCK = ("BYHOUR", "BYMINUTE", "BYSECOND")
_FOLDED = re.compile(rb"\r?\n[ \t]")
_DATES = re.compile(rb"^(?:RDATE|EXDATE)[;:][^\r\n]*", re.MULTILINE | re.IGNORECASE)
_ZONE = re.compile(rb"^BEGIN:VTIMEZONE\r?$(.*?)^END:VTIMEZONE\r?$", re.MULTILINE | re.DOTALL | re.IGNORECASE)
_RULE = re.compile(rb"^RRULE[;:]([^\r\n]*)", re.MULTILINE | re.IGNORECASE)
_BEGINS_OR_ENDS = re.compile(rb"^(BEGIN|END):", re.MULTILINE | re.IGNORECASE)
_ZONE_NAME = re.compile(rb"TZID[=:]\"?([^\r\n:;\"]*)", re.IGNORECASE)


def too_much(body: bytes) -> str:
    """Why the bytes of a file are more than a rota, said as what follows the file's name; empty where they are not."""
    events = len(re.findall(rb"^BEGIN:VEVENT", body, re.MULTILINE | re.IGNORECASE))
    if events > MOST_EVENTS:
        return f"holds {events} events, and {MOST_EVENTS} are the most; export only the coming year"
    whole = _FOLDED.sub(b"", body)
    if any(len(name) > _LONGEST_NAME for name in _ZONE_NAME.findall(whole)):
        return f"names a time zone by more than {_LONGEST_NAME} characters; export it again from the calendar"
    if sum(found.count(b",") + 1 for found in _DATES.findall(whole)) > MOST_DATES:
        return f"holds more than {MOST_DATES} dates in RDATE and EXDATE; export only the coming year"
    if _depth(whole) > _DEEPEST:
        return f"has components more than {_DEEPEST} deep in each other; export it again from the calendar"
    zones = _ZONE.findall(whole)
    if len(zones) > MOST_ZONES:
        return f"describes {len(zones)} time zones, and {MOST_ZONES} are the most; export it again from the calendar"
    for rule in (rule.upper() for zone in zones for rule in _RULE.findall(zone)):
        parts = dict(part.partition(b"=")[::2] for part in rule.split(b";"))
        if parts.get(b"FREQ") != b"YEARLY" or not _is_one_or_more(parts.get(b"INTERVAL", b"1").decode("latin-1")):
            return "describes a time zone that changes more often than by years; export it again from the calendar"
        if any(name.encode() in parts for name in _BY_CLOCK):
            return "describes a time zone that changes several times a day; export it again from the calendar"
    return ""


def _depth(body: bytes) -> int:
    deepest = depth = 0
    for found in _BEGINS_OR_ENDS.findall(body):
        depth += 1 if found.upper() == b"BEGIN" else -1
        deepest = max(deepest, depth)
    return deepest


def wrong_days(event: Any) -> str:
    """Why the days that an event names cannot be those of a shift; empty where they can."""
    for name, value in _days(event):
        if not isinstance(value, date):
            return f"its {name} is no day and no time"
        if not FIRST_YEAR <= value.year <= LAST_YEAR:
            return f"its {name} {value:%Y-%m-%d} is too far off"
    if "RECURRENCE-ID" in event:
        moved = _plain(event["DTSTART"].dt) - _plain(event["RECURRENCE-ID"].dt)
        if abs(moved) > MOST_MOVED:
            return "it lies more than a year from the shift that it takes the place of (RECURRENCE-ID)"
    return ""


def _days(event: Any) -> Iterator[tuple[str, Any]]:
    for name in ("DTSTART", "DTEND", "RECURRENCE-ID"):
        if name in event:
            yield name, event[name].dt
    for name in ("RDATE", "EXDATE"):
        listed = event.get(name, [])
        for dates in listed if isinstance(listed, list) else [listed]:
            for one in dates.dts:
                # A period says its end too (RFC 5545 §3.3.9); only further dates may be periods.
                begins = one.dt[0] if isinstance(one.dt, tuple) and name == "RDATE" else one.dt
                yield name, begins


def wrong_rule(rule: Any, start: date, until: datetime) -> str:
    """Why the rule of an event that begins at `start` cannot be followed up to `until`; empty where it can."""
    frequency = str(next(iter(rule.get("FREQ", [])), "")).upper()
    if frequency in _OFTEN or any(len(rule.get(name, [])) > 1 for name in ("BYSECOND", "BYMINUTE")):
        return "it repeats more often than every hour"
    if frequency not in _KNOWN:
        return "its rule does not say how often it comes (FREQ)"
    if len(rule.to_ical()) > _LONGEST_RULE:
        return f"its rule is longer than {_LONGEST_RULE} characters"
    for name in ("INTERVAL", "COUNT"):
        for value in rule.get(name, []):
            if not 1 <= value <= MOST_SHIFTS:
                return f"its {name} {value} is not a number from 1 to {MOST_SHIFTS}"
    by = sorted(name for name in rule if str(name).startswith("BY"))
    if frequency == "HOURLY" and by:
        return f"it comes HOURLY and only at some hours or days ({by[0]}); write it as DAILY with BYHOUR"
    a_day = 24 if frequency == "HOURLY" else max(1, len(rule.get("BYHOUR", [])))
    if (until.date() - _plain(start).date()).days * a_day > MOST_SHIFTS:
        return f"its rule gives more than {MOST_SHIFTS} shifts since its start; begin it later"
    if by and _never_comes(rule):
        return "the day of its rule never comes"
    return ""


def _never_comes(rule: Any) -> bool:
    """Whether no day of 28 years, in which every weekday has met every date, is one of the rule's."""
    wanted = {name: value for name, value in rule.items() if name not in ("UNTIL", "COUNT", "INTERVAL")}
    text = type(rule)(wanted).to_ical().decode()
    # The library gives up after the year 9999 and not before.
    return next(iter(rrulestr(text, dtstart=datetime.combine(date(9972, 1, 1), time()))), None) is None


def _is_one_or_more(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 9 and int(text) >= 1


def _plain(value: date) -> datetime:
    """The clock's face: near enough where only years count."""
    return value.replace(tzinfo=None) if isinstance(value, datetime) else datetime.combine(value, time())
