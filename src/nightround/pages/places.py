"""The viewer's sites, one site, and the units: lists to find something in."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from sqlalchemy import ColumnElement, Connection, and_, case, func, or_, select
from starlette.responses import Response

from ..errors import UserError
from ..reckoning.dates import local_day
from ..store.tables import conditions, duties, parts, people, person_roles, person_sites, sites, units
from . import owing
from .doors import Visit, not_found
from .fleet_state import CONDITIONS, NOT_RECKONED, is_in, round_of, units_by_condition
from .on_call import closed_lines
from .people import Viewer
from .words import spoken

PAGE = 100
_RANK = case({word: rank for rank, word in enumerate(CONDITIONS)}, value=conditions.c.condition, else_=1)


def list_sites(visit: Visit) -> Response:
    """Every site that the viewer may see, those with the worst units first."""
    viewer, number = visit.known, max(1, visit.number("page"))
    with visit.program.store.read() as conn:
        total = conn.execute(select(func.count()).select_from(sites).where(viewer.sees())).scalar_one()
        found = _sites(conn, viewer, number)
    return visit.page(
        "sites.html", found=found, total=total, number=number, pages=max(1, -(-total // PAGE)), conditions=CONDITIONS
    )


def _sites(conn: Connection, viewer: Viewer, number: int) -> list[dict[str, Any]]:
    counted = [
        func.sum(case((and_(units.c.id.is_not(None), is_in(word)), 1), else_=0)).label(f"n{rank}")
        for rank, word in enumerate(CONDITIONS)
    ]
    query = (
        select(sites.c.site, sites.c.name, sites.c.address, func.count(units.c.id).label("units"), *counted)
        .select_from(sites.outerjoin(units, units.c.site_id == sites.c.id).outerjoin(conditions))
        .where(viewer.sees())
        .group_by(sites.c.id, sites.c.site, sites.c.name, sites.c.address)
        .order_by(*(count.desc() for count in counted[:3]), sites.c.site)
        .offset((number - 1) * PAGE)
        .limit(PAGE)
    )
    return [
        {
            "site": row.site,
            "name": row.name or row.site,
            "address": row.address,
            "units": row.units,
            "by_condition": [(word, row[4 + rank]) for rank, word in enumerate(CONDITIONS) if row[4 + rank]],
        }
        for row in conn.execute(query)
    ]


def show_site(visit: Visit) -> Response:
    """One site: its units, the worst first, its duties that need somebody, its spares, and who belongs to it."""
    viewer = visit.known
    with visit.program.store.read() as conn:
        site = conn.execute(select(sites).where(sites.c.site == visit.path("code"), viewer.sees())).first()
        if site is None:
            raise not_found()
        at_work = owing.by_day(
            owing.visible(viewer, duties.c.site_id == site.id, duties.c.standing.not_in(("ahead", "not recorded")))
        )
        owed = owing.read(conn, at_work.limit(PAGE), visit.now)
        owed.sort(key=lambda duty: owing.STANDINGS.index(duty.standing))
        spares = select(parts).where(parts.c.site_id == site.id, parts.c.state == "spare").order_by(parts.c.kind)
        content: dict[str, Any] = {
            "site": site,
            "site_name": site.name or site.site,
            "units": _units(conn, viewer, [units.c.site_id == site.id], 0, 500),
            "units_total": sum(units_by_condition(conn, viewer, units.c.site_id == site.id).values()),
            "owed": owed,
            "not_recorded": owing.counts(
                conn, viewer, duties.c.kind, duties.c.site_id == site.id, duties.c.standing == "not recorded"
            ),
            "spares": list(conn.execute(spares)),
            "people": _people(conn, site.id),
            "round": round_of(conn, site.time_zone, visit.now),
            "today": local_day(visit.now, site.time_zone),
            "closed": closed_lines(conn, site.id, local_day(visit.now, site.time_zone)),
        }
    return visit.page("site.html", countries=[site.country], **content)


def _people(conn: Connection, site_id: int) -> list[dict[str, Any]]:
    """Who is named for this very site; those of the whole fleet are not listed at each site."""
    query = (
        select(people.c.name, people.c.person, people.c.phone, person_roles.c.role)
        .join(person_sites, person_sites.c.person_id == people.c.id)
        .outerjoin(person_roles, person_roles.c.person_id == people.c.id)
        .where(person_sites.c.site_id == site_id)
        .order_by(people.c.name, people.c.person, person_roles.c.role)
        .limit(200)
    )
    found: dict[str, dict[str, Any]] = {}
    for row in conn.execute(query):
        known = found.setdefault(row.person, {"name": row.name or row.person, "phone": row.phone, "roles": []})
        if row.role:
            known["roles"].append(spoken(row.role))
    return list(found.values())


def list_units(visit: Visit) -> Response:
    """The units that match what was typed, or all, the worst first."""
    viewer, number = visit.known, max(1, visit.number("page"))
    asked = {"find": visit.asked("find")[:100], "condition": visit.asked("condition")}
    wanted: list[ColumnElement[bool]] = []
    if asked["find"]:
        text = asked["find"].replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        columns = (units.c.unit, units.c.spot, units.c.serial, sites.c.site, sites.c.name, sites.c.address)
        wanted.append(or_(*(column.ilike(f"%{text}%", escape="\\") for column in columns)))
    if asked["condition"] == NOT_RECKONED:
        wanted.append(conditions.c.condition.is_(None))
    elif asked["condition"]:
        if asked["condition"] not in CONDITIONS:
            raise UserError(f"condition {asked['condition']!r} is not known; use one of {', '.join(CONDITIONS)}")
        wanted.append(is_in(asked["condition"]))
    with visit.program.store.read() as conn:
        total = sum(units_by_condition(conn, viewer, *wanted).values())
        found = _units(conn, viewer, wanted, (number - 1) * PAGE, PAGE)
    return visit.page(
        "units.html",
        asked=asked,
        units=found,
        total=total,
        number=number,
        pages=max(1, -(-total // PAGE)),
        conditions=(*CONDITIONS, NOT_RECKONED),
        query=urlencode({name: value for name, value in asked.items() if value}),
    )


def _units(
    conn: Connection, viewer: Viewer, wanted: list[ColumnElement[bool]], skip: int, limit: int
) -> list[dict[str, Any]]:
    query = (
        select(
            units.c.unit,
            units.c.spot,
            units.c.floor,
            sites.c.site,
            sites.c.name,
            conditions.c.condition,
            conditions.c.since,
        )
        .select_from(units.join(sites, sites.c.id == units.c.site_id).outerjoin(conditions))
        .where(viewer.sees(), *wanted)
        .order_by(_RANK, units.c.unit)
        .offset(skip)
        .limit(limit)
    )
    return [
        {
            "unit": row.unit,
            "spot": row.spot,
            "floor": row.floor,
            "site": row.site,
            "site_name": row.name or row.site,
            "condition": row.condition or NOT_RECKONED,
            "since": row.since,
        }
        for row in conn.execute(query)
    ]
