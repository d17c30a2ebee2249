"""What a report about the registration does to the register: the newest day and the name of the register kept there."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy import Connection, select, update

from ..errors import UserError
from ..store.tables import log, units
from .log import NewEntry

ABOUT = "registration"
WITH = "with"
# What recording adds: the register's word before, to turn a wrong entry back.
WAS_WITH, WAS_ON = "was-with", "was-on"
ADDED = (WAS_WITH, WAS_ON)
LONGEST = 200


def prepared(conn: Connection, entry: NewEntry, *, known: bool) -> NewEntry:
    """The entry as it is kept. Raises UserError for what only the program writes, and for a rule named in vain."""
    if not is_registration(entry):
        return entry
    readings = {name: value.strip() for name, value in entry.readings.items()}
    if wrong := [name for name in ADDED if name in readings]:
        raise UserError(f"reading {wrong[0]!r} is written by the program itself; leave it out")
    if len(readings.get(WITH, "")) > LONGEST:
        raise UserError(f"the register's name has more than {LONGEST} characters; shorten it")
    if not known:
        return entry
    was = conn.execute(select(units.c.registered_with, units.c.registered_on).where(units.c.id == entry.unit_id)).one()
    readings |= {WAS_WITH: was.registered_with, WAS_ON: was.registered_on.isoformat() if was.registered_on else ""}
    return replace(entry, readings=readings)


def carry_out(conn: Connection, entry: NewEntry, day: date) -> None:
    """Keeps the day of the report as that of the registration, unless a later one is on record."""
    said = entry.readings
    if not is_registration(entry) or WAS_ON not in said or (said[WAS_ON] and said[WAS_ON] > day.isoformat()):
        return
    values: dict[str, Any] = {"registered_on": day, "revision": units.c.revision + 1}
    if said.get(WITH):
        values["registered_with"] = said[WITH]
    conn.execute(update(units).where(units.c.id == entry.unit_id).values(**values))


def turn_back(conn: Connection, entry_id: int, unit_id: int, day: date) -> bool:
    """Takes back what a struck report did to the register, where that is still as the report left it."""
    row = conn.execute(select(log).where(log.c.id == entry_id)).one()
    said: dict[str, str] = json.loads(row.readings)
    if row.entry != "reported" or said.get("about") != ABOUT or WAS_ON not in said:
        return False
    on = conn.execute(select(units.c.registered_on).where(units.c.id == unit_id)).scalar()
    if on != day:
        return False
    values: dict[str, Any] = {
        "registered_on": date.fromisoformat(said[WAS_ON]) if said[WAS_ON] else None,
        "registered_with": said[WAS_WITH],
        "revision": units.c.revision + 1,
    }
    conn.execute(update(units).where(units.c.id == unit_id).values(**values))
    return True


def is_registration(entry: NewEntry) -> bool:
    """Whether it is the report that the unit is registered, or its registration renewed."""
    return entry.entry == "reported" and entry.readings.get("about") == ABOUT


def as_told(readings: dict[str, str]) -> dict[str, str]:
    """The readings without what recording added."""
    return {name: value for name, value in readings.items() if name not in ADDED}
