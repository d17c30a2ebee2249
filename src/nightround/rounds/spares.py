"""Reckons the spares that are kept at a site for no one unit."""

from __future__ import annotations

from collections.abc import Callable, Set

from sqlalchemy import Connection, select

from ..reckoning.duties import Reckoner
from ..reckoning.facts import Part, Place
from ..reckoning.owed import Duty
from ..store.tables import cases, duties, parts, sites
from .causes import GROUPS
from .differences import Changes
from .loading import CASE, KEPT, STORED, OpenCase, Stored, part_columns, stored_duty


def reckon_spares(
    conn: Connection,
    zone: str,
    site_ids: Set[int] | None,
    reckoner_at: Callable[[Place], Reckoner],
    changes: Changes,
    *,
    marks: bool,
) -> None:
    """Compares the duties of site spares in the zone; with `site_ids`, only those of these sites.

    `marks`: a safety notice is in force, so that lots are asked for.
    """
    spares: dict[int, list[Part]] = {}
    query = (
        select(parts.c.site_id, *part_columns(marks))
        .join(sites, sites.c.id == parts.c.site_id)
        .where(parts.c.unit_id.is_(None), parts.c.state == "spare", sites.c.time_zone == zone)
        .order_by(parts.c.site_id, parts.c.id)
    )
    for site_id, *rest in conn.execute(query):
        spares.setdefault(site_id, []).append(Part(*rest))
    stored = _stored(conn, zone)
    touched = set(spares) | set(stored)
    if site_ids is not None:
        touched &= site_ids
    if not touched:
        return
    places = _places(conn, zone)
    open_cases = _open_cases(conn, zone)
    for site_id in sorted(touched):
        reckoner = reckoner_at(places[site_id])
        here = spares.get(site_id, [])
        found: list[Duty] = [*(reckoner.spare(part) for part in here), *reckoner.noticed_spares(here)]
        old = stored.get(site_id, {})
        changes.site(site_id, found, old, open_cases.get(site_id, []), first=not old)


def _stored(conn: Connection, zone: str) -> dict[int, dict[str, Stored]]:
    width = len(STORED)
    query = (
        select(*STORED, duties.c.site_id, *KEPT)
        .join(sites, sites.c.id == duties.c.site_id)
        .where(duties.c.unit_id.is_(None), duties.c.holder.like("s%"), sites.c.time_zone == zone)
    )
    found: dict[int, dict[str, Stored]] = {}
    for row in conn.execute(query):
        found.setdefault(row[width], {})[row[0]] = stored_duty(row)
    return found


def _open_cases(conn: Connection, zone: str) -> dict[int, list[OpenCase]]:
    query = (
        select(*CASE)
        .join(sites, sites.c.id == cases.c.site_id)
        # Groups have a site too; they come and go with their members.
        .where(
            cases.c.unit_id.is_(None),
            cases.c.closed_at.is_(None),
            cases.c.cause.not_like(GROUPS),
            sites.c.time_zone == zone,
        )
        .order_by(cases.c.id)
    )
    found: dict[int, list[OpenCase]] = {}
    for row in conn.execute(query):
        case = OpenCase(*row)
        found.setdefault(case.site_id, []).append(case)
    return found


def _places(conn: Connection, zone: str) -> dict[int, Place]:
    query = select(sites.c.id, sites.c.time_zone, sites.c.country, sites.c.subdivision, sites.c.site_type).where(
        sites.c.time_zone == zone
    )
    return {site_id: Place(*rest) for site_id, *rest in conn.execute(query)}
