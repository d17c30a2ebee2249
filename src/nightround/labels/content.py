"""What a cabinet label says, as plain data: the unit, its next dates, whom to ask, what to do in an emergency.

It says what the last round found and makes no date of its own; what is not recorded says so. What a label has to show
is asked for in France (orders of 2019-10-29, SSAP1932163A and 1932161A: next maintenance, battery and pad expiry, maker
and model, the operator's contact, at least 10 by 15 cm; READ*) and in Japan (pad and battery replacement dates; READ*).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, select

from .. import emergency
from ..errors import UserError
from ..letters.links import label_url
from ..reckoning.dates import local_day
from ..settings import Settings
from ..store.tables import conditions, duties, people, person_roles, person_sites, sites, units
from .fonts import tidy

NOT_RECORDED = "not recorded"
_CHECKS = {"look": "Next look", "test": "Next test", "inspection": "Next inspection"}
_PARTS = {
    "pads-adult": "Adult pads good to",
    "pads-child": "Child pads good to",
    "pads-universal": "Pads good to",
    "battery": "Battery good to",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """One label. `dates`: what, and the day as it is printed. `address` is what its QR code holds."""

    unit: str
    spot: str
    site: str
    place: str
    model: str
    serial: str
    fleet: str
    contact: str
    emergency: str
    emergency_unknown: bool  # it names no number
    caution: str
    dates: tuple[tuple[str, str], ...]
    address: str
    printed: date


def sheets(
    conn: Connection, settings: Settings, now: datetime, *, unit: str | None = None, site: str | None = None
) -> list[Sheet]:
    """The label of one unit, or those of a site's units that are not withdrawn, by code.

    Raises UserError where the unit or the site is not in the register, or a site has no unit to label.
    """
    query = (
        select(units, sites.c.site, sites.c.name.label("site_name"), sites.c.address, sites.c.time_zone)
        .add_columns(sites.c.country, conditions.c.condition)
        .join(sites, sites.c.id == units.c.site_id)
        .outerjoin(conditions, conditions.c.unit_id == units.c.id)
        .order_by(units.c.unit)
    )
    if unit is not None:
        rows = conn.execute(query.where(units.c.unit == unit)).all()
        if not rows:
            raise UserError(f"unit {unit!r} is not in the register; give the unit's code")
    else:
        if conn.execute(select(sites.c.id).where(sites.c.site == site)).first() is None:
            raise UserError(f"site {site!r} is not in the register; give the site's code")
        found = conn.execute(query.where(sites.c.site == site)).all()
        rows = [row for row in found if row.condition != "withdrawn"]
        if not rows:
            raise UserError(f"site {site!r} has no unit in use, so there is no label to print")
    owed = _owed(conn, [row.id for row in rows])
    contacts: dict[int, str] = {}
    for row in rows:
        if row.site_id not in contacts:
            contacts[row.site_id] = _contact(conn, row.site_id)
    return [_sheet(row, owed.get(row.id, []), contacts[row.site_id], settings, now) for row in rows]


def _sheet(row: Any, owed: Sequence[Any], contact: str, settings: Settings, now: datetime) -> Sheet:
    today = local_day(now, row.time_zone)
    if row.condition == "withdrawn":
        caution = "This unit has been withdrawn. Do not use it; ask the call taker where another one is."
    else:
        caution = (
            "Then use this unit: switch it on and follow its prompts, unless its manufacturer, a safety notice or its "
            "coordinator has withdrawn it."
        )
    return Sheet(
        unit=row.unit,
        spot=", ".join(text for text in (tidy(row.spot), tidy(row.floor)) if text) or f"spot {NOT_RECORDED}",
        site=tidy(row.site_name) or row.site,
        place=tidy(row.address),
        model=tidy(row.model) or NOT_RECORDED,
        serial=tidy(row.serial) or NOT_RECORDED,
        fleet=settings.fleet.name,
        contact=contact,
        emergency=f"Emergency? Call {emergency.words(settings, [row.country])} first.",
        emergency_unknown=not emergency.number_of(settings, row.country),
        caution=caution,
        dates=_dates(owed, today),
        address=label_url(settings, row.label),
        printed=today,
    )


def _dates(owed: Sequence[Any], today: date) -> tuple[tuple[str, str], ...]:
    """The next checks, then the fitted parts; of several with one name the earliest, and none where one is unknown."""
    days: dict[str, list[date | None]] = {}
    for duty in owed:
        title = _CHECKS.get(duty.kind)
        if title is None and duty.kind in _PARTS and "/fitted/" in duty.key:
            title = _PARTS[duty.kind]
        if title is not None:
            days.setdefault(title, []).append(duty.last_good_day)
    wanted = [title for title in _CHECKS.values() if title in days] or ["Next check"]
    pads = [title for kind, title in _PARTS.items() if kind != "battery" and title in days] or ["Pads good to"]
    return tuple((title, _said(days.get(title, [None]), today)) for title in (*wanted, *pads, _PARTS["battery"]))


def _said(days: Sequence[date | None], today: date) -> str:
    known = [day for day in days if day is not None]
    if len(known) < len(days):
        return NOT_RECORDED
    day = min(known)
    return f"{day.isoformat()}, past" if day < today else day.isoformat()


def _owed(conn: Connection, unit_ids: Sequence[int]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {}
    columns = (duties.c.unit_id, duties.c.kind, duties.c.key, duties.c.last_good_day)
    for start in range(0, len(unit_ids), 500):
        query = select(*columns).where(duties.c.unit_id.in_(unit_ids[start : start + 500])).order_by(duties.c.key)
        for row in conn.execute(query):
            found.setdefault(row.unit_id, []).append(row)
    return found


def _contact(conn: Connection, site_id: int) -> str:
    """Whom to ask: the coordinator of the site, else one of the whole fleet, with a telephone number or address."""
    theirs = select(person_sites.c.person_id).where(person_sites.c.site_id == site_id)
    query = (
        select(people.c.name, people.c.person, people.c.phone, people.c.email)
        .join(person_roles, person_roles.c.person_id == people.c.id)
        .where(person_roles.c.role == "coordinator", people.c.id.in_(theirs) | people.c.whole_fleet)
        .order_by(people.c.whole_fleet, people.c.person)
    )
    row = conn.execute(query).first()
    if row is None:
        return NOT_RECORDED
    return ", ".join(text for text in (row.name or row.person, row.phone or row.email) if text)
