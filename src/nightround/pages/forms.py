"""Reads what people type into the log forms: cleans it, refuses what is no evidence, and makes one log entry of it.

A stranger's report is bad news by construction: it is made here from a list of choices, and no reading that
somebody sends along is looked at.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from ..errors import UserError
from ..reckoning.dates import local_day
from ..reckoning.readings import SCOPES, WORDS
from ..register.fitting import code_of
from ..register.labelled import of_part
from ..register.log import NewEntry
from ..register.recording import PART_KINDS
from .moving import moving_readings
from .words import spoken

NOTE_LENGTH = 500
# Years outside these are slips of the keyboard, and the ends of the calendar are no instants in every zone.
_EARLIEST, _LATEST = 1980, 9998

# What a passer-by can have seen → what the log keeps of it: the entry, the readings, the words before their note.
PROBLEMS: dict[str, tuple[str, dict[str, str], str]] = {
    "light": ("fault", {"self-test": "fault"}, "fault light or beep"),
    "damaged": ("fault", {"damage": "yes"}, "damaged"),
    "missing": ("fault", {}, "the unit is not in its place"),
    "pads": ("fault", {"pads": "opened"}, "pads opened or torn"),
    "cabinet": ("fault", {"cabinet": "fault"}, "cabinet damaged or will not open"),
    "used": ("used", {}, "it has been used"),
    "other": ("fault", {}, ""),
}

# What the choices are called on the page.
PROBLEM_LABELS: dict[str, str] = {
    "light": "It shows a fault light, or it beeps",
    "damaged": "It is damaged, wet or dirty",
    "missing": "It is not here",
    "pads": "The packet with the pads is open or torn",
    "cabinet": "The cabinet is damaged or will not open",
    "used": "It has been used",
    "other": "Something else (say what)",
}

# Readings of a check → what each word is called on the page. The first is the good one.
CHECK_READINGS: dict[str, tuple[str, dict[str, str]]] = {
    "self-test": ("Self-test light or display", {"ok": "shows ready", "fault": "shows a fault, or beeps"}),
    "pads": (
        "Pads window or packet",
        {
            "ok": "good",
            "expiring": "says: replace soon",
            "past": "past their date",
            "opened": "opened or torn",
            "missing": "no pads there",
        },
    ),
    "damage": ("Damage", {"none": "none seen", "yes": "damaged"}),
    "cabinet": ("Cabinet", {"ok": "good", "fault": "damaged, or will not open"}),
    "kit": ("Kit (razor, shears, gloves)", {"ok": "complete", "incomplete": "something is missing"}),
    "seal": ("Seal", {"ok": "whole", "broken": "broken"}),
}
BATTERY_WORDS = {"ok": "good", "low": "lowest bar: order", "empty": "empty: replace"}
SCOPE_WORDS = {"look": "a look", "test": "a test", "inspection": "a full inspection"}

NEEDS_NOTE = {
    "withdrawn": "say why it is withdrawn",
    "moved": "say where it stands now",
    "struck": "say why the entry was wrong",
}

_BIDI = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_BLANKS = re.compile(r"\s+")


def clean(text: str) -> str:
    """The text in one line without control characters and without marks that turn the writing direction around."""
    text = unicodedata.normalize("NFC", _BIDI.sub("", text))
    text = "".join(" " if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") else sign for sign in text)
    return _BLANKS.sub(" ", text).strip()


def note_of(form: Mapping[str, str], limit: int = NOTE_LENGTH) -> str:
    """The note, cleaned. Raises UserError where it is too long."""
    note = clean(form.get("note", ""))
    if len(note) > limit:
        raise UserError(f"The note has {len(note)} characters; {limit} are the most that can be kept. Shorten it")
    return note


def instant_of(text: str, zone: str, now: datetime) -> datetime:
    """The instant typed as local time at the site; now where nothing was typed. Raises UserError as below."""
    return local_instant(text, zone) if text.strip() else now


def local_instant(text: str, zone: str) -> datetime:
    """The instant at which the clock in that zone showed the time typed, the first of two where it was turned back.

    Raises UserError for what is no time, for a year of no use here, and for a time that the clock skipped.
    """
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UserError(f"The time {text.strip()!r} cannot be read; write it as 2026-11-25T14:30") from None
    if local.tzinfo is not None:
        raise UserError("Write the time as the clock at the site shows it, without a zone")
    if not _EARLIEST <= local.year <= _LATEST:
        raise UserError(f"The time {text.strip()!r} cannot be right; correct its year")
    at = local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    if at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) != local:
        raise UserError(f"The clock in {zone} skipped {text.strip()}; give a time that it showed")
    return at


def problem_entry(form: Mapping[str, str], unit_id: int, by_person: str, at: datetime) -> NewEntry:
    """A report of a problem: bad news only. Raises UserError where no choice was made."""
    choice = form.get("problem", "")
    if choice not in PROBLEMS:
        raise UserError("Choose what is wrong with it")
    entry, readings, words = PROBLEMS[choice]
    note = note_of(form)
    if choice == "other" and not note:
        raise UserError("Say in a few words what is wrong with it")
    text = f"{words}: {note}" if words and note else words or note
    return NewEntry(unit_id, at, entry, by_person, dict(readings), note=text, source="page")


def log_entry(
    form: Mapping[str, str], unit_id: int, zone: str, by_person: str, allowed: tuple[str, ...], now: datetime
) -> NewEntry:
    """An entry by a known person. Raises UserError, with what to put right, for what cannot be kept."""
    entry = form.get("entry", "")
    if entry not in allowed:
        raise UserError(f"You may not record {entry!r} for this unit; ask its coordinator to")
    at = instant_of(form.get("at", ""), zone, now)
    if entry == "fault":
        return problem_entry(form, unit_id, by_person, at)
    note = note_of(form)
    readings: dict[str, str] = moving_readings(form, clean) if entry == "moved" else {}
    if entry in NEEDS_NOTE and not note and not readings:
        raise UserError(f"A note is needed: {NEEDS_NOTE[entry]}")
    part: dict[str, str] = {}
    if entry == "check":
        readings = check_readings(form)
    elif entry == "used":
        readings = _use(form)
    elif entry == "reported":
        about = form.get("about", "")
        rule = about.removeprefix("rule/")
        if about not in WORDS["about"] and (rule == about or not rule):
            raise UserError("Choose what was reported from the list")
        readings = {"about": about} if rule == about else {"about": "use", "rule": rule}
        if about == "registration" and (register := clean(form.get("with", ""))):
            readings["with"] = register
    elif entry in ("ordered", "fitted", "removed"):
        part = _part(form, entry, local_day(at, zone))
    return NewEntry(unit_id, at, entry, by_person, readings, part, note, source="page")


def check_readings(form: Mapping[str, str]) -> dict[str, str]:
    """The readings of a check. What was not looked at is left out; a check without any reading is refused."""
    found: dict[str, str] = {}
    for name in CHECK_READINGS:
        value = form.get(name, "")
        if value and value not in WORDS[name]:
            raise UserError(f"The reading {name} cannot be {value!r}; choose one of the answers given")
        if value:
            found[name] = value
    battery = _battery(form)
    if battery:
        found["battery"] = battery
    if not found:
        raise UserError("A check needs at least one reading: say what you saw")
    scope = form.get("scope", "look")
    if scope not in SCOPES:
        raise UserError(f"A check is one of {', '.join(SCOPES)}, not {scope!r}")
    found["scope"] = scope
    return found


def _battery(form: Mapping[str, str]) -> str:
    bars, full = form.get("battery-bars", "").strip(), form.get("battery-full", "").strip()
    word = form.get("battery", "")
    if bars or full:
        if word:
            raise UserError("Give the battery as a word or as bars, not both")
        if not (bars.isascii() and bars.isdigit() and full.isascii() and full.isdigit()):
            raise UserError("Give the battery's bars as two numbers: how many are lit, and of how many")
        have, most = int(bars), int(full)
        if not 1 <= most <= 20 or have > most:
            raise UserError(f"The battery cannot show {have} bars of {most}")
        return f"{have}/{most}"
    if word and word not in BATTERY_WORDS:
        raise UserError(f"The battery cannot be {word!r}; choose one of the answers given")
    return word


def _use(form: Mapping[str, str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, called in (("shocks", "number of shocks"), ("cpr-minutes", "minutes of CPR")):
        value = form.get(name, "").strip()
        if not value:
            continue
        if not (value.isascii() and value.isdigit()) or int(value) > 999:
            raise UserError(f"The {called} must be a number from 0 to 999, or left empty where it is not known")
        found[name] = str(int(value))
    mode = form.get("mode", "")
    if mode:
        if mode not in WORDS["mode"]:
            raise UserError("The mode of the unit is adult or child, or left open where it is not known")
        found["mode"] = mode
    opened = form.get("pads-opened", "")
    if opened:
        if opened not in WORDS["pads-opened"]:
            raise UserError("The pads of the unit were opened or not, or left open where it is not known")
        found["pads-opened"] = opened
    return found


def _part(form: Mapping[str, str], entry: str, today: date) -> dict[str, str]:
    kind = clean(form.get("kind", ""))
    if kind not in PART_KINDS and not re.fullmatch(r"kit-[a-z0-9-]{1,24}", kind):
        raise UserError("Choose which part it is")
    part = {"kind": kind}
    if entry == "ordered":
        part["expected"] = _iso(form.get("expected", ""), "The day on which the part is expected")
    if entry == "fitted":
        lot = clean(form.get("lot", ""))
        if len(lot) > 64:
            raise UserError("The lot has more than 64 characters; copy it as it is printed")
        label, udi = form.get("label_date", "").strip(), code_of(form.get("udi", ""))
        scanned = of_part(udi, "", None, today)
        if label:
            part["label_date"] = _label(label)
        elif udi and scanned.label is None and form.get("no-date") != "yes":
            why = f" ({scanned.warnings[0]})" if scanned.warnings else ""
            raise UserError(f"The scanned code gives no date{why}; give the date printed on the part")
        elif scanned.label is None and form.get("no-date") != "yes":
            raise UserError(
                f"Give the date printed on the part ({spoken(kind)}), or say that none is printed: "
                "without it no date can be reckoned"
            )
        if lot:
            part["lot"] = lot
        if udi:
            part["udi"] = udi
    return part


def _iso(text: str, what: str) -> str:
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise UserError(f"{what} must be given as a date, such as 2027-01-15") from None


def _label(text: str) -> str:
    """A label date as typed: a day, or a month (good to its end)."""
    try:
        if re.fullmatch(r"\d{4}-\d{2}", text):
            date.fromisoformat(f"{text}-01")
            return text
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            date.fromisoformat(text)
            return text
    except ValueError:
        pass
    raise UserError(f"The printed date {text!r} cannot be read; write it as 2029-04-30, or 2029-04 for a month")
