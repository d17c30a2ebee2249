"""The note about one use for the ambulance crew: what the log entry says of it, and nothing that it does not.

It is about a person. It is printed for whoever logged the use and must never go into a case or a calendar. What was
recorded of the use goes into letters to who is on call or coordinator, and into no others (`letters.uses`).
"""

from __future__ import annotations

import json
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from ..reckoning.readings import number
from ..store.tables import log, people, sites, units
from .whereabouts import stays

NOT_RECORDED = "not recorded"


def crew_note(conn: Connection, entry_id: int) -> dict[str, Any]:
    """The note of a `used` entry; None where a thing was not recorded. `used_at` is the local time where it stood."""
    row = conn.execute(
        select(
            units.c.unit,
            units.c.spot,
            units.c.model,
            sites.c.site,
            sites.c.name,
            sites.c.address,
            units.c.id,
            log.c.at,
            log.c.by_person,
            log.c.readings,
            people.c.name.label("by_name"),
        )
        .join(units, units.c.id == log.c.unit_id)
        .join(sites, sites.c.id == units.c.site_id)
        .outerjoin(people, people.c.person == log.c.by_person)
        .where(log.c.id == entry_id, log.c.entry == "used")
    ).one()
    readings: dict[str, str] = json.loads(row.readings)
    zone = stays(conn, row.id).zone(row.at)
    return {
        "unit": row.unit,
        "model": row.model or None,
        "site": row.site,
        "site_name": row.name or None,
        "address": row.address or None,
        "spot": row.spot or None,
        "used_at": row.at.astimezone(ZoneInfo(zone)),
        "time_zone": zone,
        "cpr_minutes": number(readings.get("cpr-minutes", "")),
        "shocks": number(readings.get("shocks", "")),
        "mode": readings.get("mode"),
        "recorded_by": row.by_name or row.by_person or "unknown passer-by",
    }


def in_words(note: dict[str, Any]) -> list[str]:
    """The note as lines of text."""

    def known(name: str) -> str:
        return NOT_RECORDED if note[name] is None else str(note[name])

    place = ", ".join(str(part) for part in (note["site_name"] or note["site"], note["address"], note["spot"]) if part)
    return [
        "Note for the ambulance crew",
        f"  Unit: {note['unit']}" + (f", {note['model']}" if note["model"] else ""),
        f"  Where: {place}",
        f"  Used: {note['used_at']:%Y-%m-%d %H:%M} ({note['time_zone']})",
        f"  Minutes of CPR: {known('cpr_minutes')}",
        f"  Shocks given: {known('shocks')}",
        f"  Mode: {known('mode')}",
        f"  Recorded by: {note['recorded_by']}. As they noted it; the unit's own record says more.",
    ]
