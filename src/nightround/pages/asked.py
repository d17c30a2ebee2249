"""What a unit's page lets a person answer beyond checks and parts: safety notices that touch the unit, and the report
of a use that one rule asks for.

It offers only what would say something new, and refuses the rest: an entry that is kept and counts for nothing is worse
than none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..errors import UserError
from ..reckoning.readings import CORRECTED, STAGES
from ..reckoning.rules import Subject
from ..register.log import NewEntry
from ..register.notices import current
from ..rounds.notices import is_news, of_unit
from ..rounds.rulebook import load as load_rulebook
from ..store.tables import duties
from .forms import instant_of, note_of
from .lookup import UnitSeen
from .owing import Owed

NOTICE = "notice"  # what the form calls its entry; the log has "reported" with a stage, or "corrected"
_ABOUT = {
    "check": "a check",
    "use": "a use, to everybody who is to be told",
    "crew": "the crew note, handed over",
    "replaced": "that another unit stands in its place",
    "registration": "that it is registered, or its registration renewed",
    "registration-change": "a move or another change, to the register",
    "responders": "where it stands, to local responders",
}
_RULE = "rule/"  # before the rule's id, as `forms.log_entry` reads it
_WHAT = {
    "underway": "begun",
    "complete": "all that is asked for in time is in place",
    CORRECTED: "carried out on this unit: nothing is left to do",
    "not-concerned": "looked into: it is not one of those meant",
}


class Asked(NamedTuple):
    """A notice that asks something of the unit: why it is meant, and what can still be recorded of it."""

    reference: str
    title: str
    why: str
    choices: dict[str, str]


def notices_of(conn: Connection, program: Program, unit: UnitSeen, now: datetime) -> list[Asked]:
    """The notices that touch the unit, by reference; none where packs or notices cannot be read (the round says so)."""
    first = select(duties.c.id).where(duties.c.unit_id == unit.id, duties.c.kind == NOTICE).limit(1)
    if conn.execute(first).first() is None:
        return []
    try:
        sheets = load_rulebook(program.settings).sheets
        touched = of_unit(conn, unit.id, current(conn), sheets, now)
    except UserError:
        return []
    found = []
    for notice, one in touched:
        choices = {what: said for what, said in _WHAT.items() if is_news(one, what)}
        if choices:
            found.append(Asked(notice.reference, notice.title, one.why, choices))
    return found


def notice_entry(form: Mapping[str, str], unit: UnitSeen, person: str, now: datetime) -> NewEntry:
    """The log entry of what was done about a notice; `check_notice` says whether it counts. Raises UserError."""
    reference, what = form.get("notice", ""), form.get("stage", "")
    if not reference:
        raise UserError("Choose which notice it is")
    if what not in (*STAGES, CORRECTED):
        raise UserError("Choose what was done about the notice")
    readings = {"notice": reference} if what == CORRECTED else {"notice": reference, "stage": what}
    entry = CORRECTED if what == CORRECTED else "reported"
    at = instant_of(form.get("at", ""), unit.zone, now)
    return NewEntry(unit.id, at, entry, person, readings, note=note_of(form), source="page")


def check_notice(conn: Connection, program: Program, unit: UnitSeen, entry: NewEntry, now: datetime) -> None:
    """Raises UserError for an answer to a notice that would be kept and count for nothing."""
    reference = entry.readings["notice"]
    notice = next((one for one in notices_of(conn, program, unit, now) if one.reference == reference), None)
    if notice is None:
        raise UserError(f"Notice {reference} asks nothing of this unit; it may be done with already")
    if entry.readings.get("stage", CORRECTED) not in notice.choices:
        raise UserError(f"Of notice {reference} that is on record already, or cannot be said of this unit")


def reports_of(owed: Sequence[Owed]) -> dict[str, str]:
    """What can be reported to an authority, for the form: each rule's own report first, where one is owed."""
    own = {_RULE + duty.rule: f"a use, for: {duty.because[0].title}" for duty in owed if duty.rule}
    return own | _ABOUT


def check_report(conn: Connection, entry: NewEntry) -> None:
    """Raises UserError for the report of one rule that no longer asks for it, or never did."""
    rule = entry.readings.get("rule")
    if entry.entry != "reported" or rule is None:
        return
    key = f"{Subject.REPORT_USE}/{rule}"
    if conn.execute(select(duties.c.id).where(duties.c.unit_id == entry.unit_id, duties.c.key == key)).first() is None:
        raise UserError("That rule asks for no report of this unit now; it may be on record already")
