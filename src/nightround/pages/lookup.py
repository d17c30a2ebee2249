"""Finds one unit or site for a page: by its code for a viewer who may see it, by its cabinet label for anybody."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, Select, select

from ..store.tables import conditions, sites, units
from .fleet_state import NOT_RECKONED
from .people import Viewer


@dataclass(frozen=True, slots=True)
class UnitSeen:
    """A unit with its site and condition. `since` is the day at the site on which the condition began."""

    id: int
    unit: str
    label: str
    site_id: int
    site: str
    site_name: str
    address: str
    zone: str
    country: str
    spot: str
    floor: str
    model: str
    serial: str
    made_on: date | None
    in_service_on: date | None
    firmware: str
    cabinet: str
    registered_with: str
    registered_on: date | None
    notes: str
    condition: str
    reasons: tuple[str, ...]
    since: date | None


def unit_by_code(conn: Connection, viewer: Viewer, code: str) -> UnitSeen | None:
    """The unit of that code; None where there is none or the viewer may not see it."""
    return _seen(conn, _units().where(units.c.unit == code, viewer.sees()))


def unit_by_label(conn: Connection, label: str) -> UnitSeen | None:
    """The unit whose cabinet carries that label; None where there is none. Asks nobody who they are."""
    return _seen(conn, _units().where(units.c.label == label))


def sees_unit(conn: Connection, viewer: Viewer, unit_id: int) -> bool:
    """Whether the viewer may see the unit."""
    query = select(units.c.id).join(sites, sites.c.id == units.c.site_id).where(units.c.id == unit_id, viewer.sees())
    return conn.execute(query).first() is not None


def _units() -> Select[Any]:
    plain = ("id", "unit", "label", "site_id", "spot", "floor", "model", "serial", "made_on", "in_service_on")
    more = ("firmware", "cabinet", "registered_with", "registered_on", "notes")
    return (
        select(
            *(units.c[name] for name in (*plain, *more)),
            sites.c.site,
            sites.c.name.label("site_name"),
            sites.c.address,
            sites.c.time_zone.label("zone"),
            sites.c.country,
            conditions.c.condition,
            conditions.c.reasons,
            conditions.c.since,
        )
        .join(sites, sites.c.id == units.c.site_id)
        .outerjoin(conditions, conditions.c.unit_id == units.c.id)
    )


def _seen(conn: Connection, query: Select[Any]) -> UnitSeen | None:
    row = conn.execute(query).first()
    if row is None:
        return None
    found = dict(row._mapping)
    found["site_name"] = found["site_name"] or found["site"]
    found["condition"] = found["condition"] or NOT_RECKONED
    found["reasons"] = tuple(json.loads(found["reasons"])) if found["reasons"] else ()
    return UnitSeen(**found)
