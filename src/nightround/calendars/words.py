"""What an event says: the line that is seen in the calendar, and the reasons behind it. Words only, no dates reckoned.

Days are written as ISO 8601 (2026-12-01), so that nobody takes one for another.
"""

from __future__ import annotations

import json
import re
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from ..reckoning.certificates import CERTIFICATE, REFRESHER
from ..reckoning.dates import local_day
from ..reckoning.owed import Standing
from ..reckoning.staffing import CONTACT, RESPONDERS
from .reading import Due
from .text import joined, one_line, shortened

CAUTION = (
    "A date in a calendar does not show that a unit works: look at the unit. "
    "Rules are shown with their source and date and are not legal advice."
)

_PADS = {"pads-adult": "adult pads", "pads-child": "child pads", "pads-universal": "universal pads"}
_ROLES = {"site-contact": "site contact"}
_ACTS = {
    "look": "Look at {}",
    "test": "Test {}",
    "inspection": "Have {} inspected by a qualified technician",
    "report-check": "Report the check of {} to the authority",
    "self-test-report": "See that {} sends its self-test results",
    "restore": "Restore {} after use",
    "report-use": "Report the use of {}",
    "download": "Download the record of the use from {}",
    "crew-note": "Hand over the crew note of {}",
    "replace": "Replace or repair {}",
    "register": "Register {}",
    "re-register": "Report the change about {} to the register",
    "renew-registration": "Renew the registration of {}",
    "notify-responders": "Tell local responders where {} stands",
}
_PEOPLE = (CERTIFICATE, REFRESHER, RESPONDERS, CONTACT)
_PUT_RIGHT = "put right: "
_SPARE = "spare"
_NONE_FITTED = "/fitted/none"


def summary(due: Due) -> str:
    """What has to be done, on which unit, where; it says in words where the duty is overdue or has no date."""
    act, part = _act(due), _part(due)
    if due.standing == Standing.OVERDUE:
        act = f"Overdue: {_small(act)}"
    elif due.standing == Standing.ORDER_NOW:
        act = f"Order now: {part or _small(act)}"
    elif due.standing == Standing.NOT_RECORDED:
        missing = due.key.endswith(_NONE_FITTED)
        act = f"{'None on record' if missing else 'No date recorded'}: {part or _small(act)}"
    return shortened(f"{joined(act, one_line(due.spot))} – {_site(due)}" if due.unit else act)


def description(due: Due, page: str) -> str:
    """Until when, why, by whom and as of which day, a line each. `page` is where the present state is shown."""
    lines = [_until(due)]
    if due.deadline is not None:
        local = due.deadline.astimezone(ZoneInfo(due.zone))
        lines.append(f"Deadline: {local:%Y-%m-%d %H:%M} ({due.zone}).")
    if due.order_by is not None:
        lines.append(f"Order by: {due.order_by}.")
    lines += _reasons(due)
    lines.append(f"Responsible: {_ROLES.get(due.role, one_line(due.role))}.")
    as_of = local_day(due.changed_at, due.zone)
    lines.append(f"As of {as_of}, when this last changed. What is known now: {page}")
    lines.append(CAUTION)
    return "\n".join(lines)


def location(due: Due) -> str:
    """Spot, floor, site and address, as far as they are recorded."""
    floor = one_line(due.floor)
    if re.fullmatch(r"-?\d+", floor):
        floor = f"floor {floor}"
    return joined(one_line(due.spot), floor, _site(due), one_line(due.address))


def categories(due: Due) -> list[str]:
    """The kind of duty and its standing, to filter by."""
    return [_thing(due.kind), one_line(due.standing)]


def _act(due: Due) -> str:
    unit, kind, subject = one_line(due.unit), due.kind, one_line(due.subject)
    if kind in _ACTS:
        return _ACTS[kind].format(unit or _site(due))
    if subject.startswith(_PUT_RIGHT):
        return f"Put right on {unit or _site(due)}: {shortened(subject.removeprefix(_PUT_RIGHT), 120)}"
    if kind in _PEOPLE and not unit:
        return f"{_large(subject)} – {_site(due)}"
    if part := _part(due):
        return f"{'Fit the missing' if due.key.endswith(_NONE_FITTED) else 'Replace'} {part}"
    return f"{_large(subject or kind)}: {unit or _site(due)}"


def _part(due: Due) -> str:
    """The part that is meant and whose it is; "" where it is not about a part. `key` is like `battery/fitted/17`."""
    if not (due.kind in _PADS or due.kind == "battery" or due.kind.startswith("kit-")):
        return ""
    spare = "spare " if f"/{_SPARE}/" in due.key else ""
    of = f"of {one_line(due.unit)}" if due.unit else f"kept at {_site(due)}"
    return f"{spare}{_thing(due.kind)} {of}"


def _thing(kind: str) -> str:
    if kind.startswith("kit-"):
        return f"{one_line(kind.removeprefix('kit-'))} (kit)"
    return _PADS.get(kind, one_line(kind).replace("-", " "))


def _until(due: Due) -> str:
    good = due.last_good_day
    if good is None and due.standing == Standing.OPEN:
        return "No last day is set. It stays open until it is recorded as done."
    if good is None:
        return "No date can be reckoned, because something is missing on record. That does not mean that all is well."
    last = f"Last good day: {good}; the first bad day is {good + timedelta(days=1)}."
    if due.standing == Standing.OVERDUE:
        return f"Overdue. {last}"
    if due.standing == Standing.ORDER_NOW:
        return f"Order now: no usable spare and no order is on record. {last}"
    opens = f" Can be done from {due.opens}." if due.opens is not None else ""
    return f"{last}{opens}"


def _reasons(due: Due) -> list[str]:
    """The rule that decides, then every other that asks for the same, each with force, source and date."""
    because: list[dict[str, Any]] = json.loads(due.because)
    lines = []
    for place, said in enumerate(because):
        title = one_line(said.get("title") or said["rule"])
        source = joined(one_line(said["force"]), _sourced(said), by="; ")
        evidence = one_line(said["evidence"])
        line = f"{'Why' if place == 0 else 'Also'}: {title} ({source}): {evidence}"
        alone = said.get("last_good_day")
        if place > 0 and alone and alone not in evidence:
            line += f"; by this alone good to {date.fromisoformat(alone)}"
        lines.append(f"{line.rstrip('.')}.")
    return lines


def _sourced(said: dict[str, Any]) -> str:
    source, verified = one_line(said["source"]), said.get("verified_on")
    if verified:
        return f"source: {source or 'none given'}, verified on {date.fromisoformat(verified)}"
    return "" if source == said["force"] else f"source: {source or 'none given'}"


def _site(due: Due) -> str:
    return one_line(due.site_name) or one_line(due.site)


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _large(text: str) -> str:
    return text[:1].upper() + text[1:]
