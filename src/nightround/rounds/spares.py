"""What a site owes for no one unit: reckons the spares kept there, and compares all of it with the last round."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence, Set
from functools import lru_cache
from typing import Any

from sqlalchemy import Select, select

from ..reckoning.duties import Reckoner
from ..reckoning.facts import Part, Place
from ..reckoning.owed import Duty
from ..store.recalling import recall
from ..store.tables import cases, duties, parts, sites
from .causes import GROUPS
from .differences import Changes
from .glance import HERE, OF_SITE, Here
from .ledger import newest_on
from .loading import CASE, KEPT, STORED, OpenCase, Stored, part_columns, stored_duty

_WIDTH = len(STORED)


def spare_duties(here: Here, reckoner_at: Callable[[Place], Reckoner], *, marks: bool) -> dict[int, list[Duty]]:
    """By site of the zone: the duties of its spares.

    `marks`: a safety notice is in force, so that lots are asked for.
    """
    spares = _spares(here, marks) if here.seen.spares else {}
    places = {site.id: site.place for site in here.sites if site.id in spares} if spares else {}
    found: dict[int, list[Duty]] = {}
    for site_id, kept in spares.items():
        reckoner = reckoner_at(places[site_id])
        found[site_id] = [*(reckoner.spare(part) for part in kept), *reckoner.noticed_spares(kept)]
    return found


def compare_sites(
    here: Here,
    site_ids: Set[int] | None,
    spares: Mapping[int, Sequence[Duty]],
    others: Mapping[int, Sequence[Duty]],
    changes: Changes,
) -> None:
    """Compares the duties of sites in the zone; with `site_ids`, only those of these sites.

    `spares` and `others` are by site the duties of its spares and those that it has besides; all of them, or those
    left out are taken for gone.
    """
    stored = _stored(here) if here.seen.duties else {}
    touched = set(spares) | set(stored) | set(others)
    if site_ids is not None:
        touched &= site_ids
    if not touched:
        return
    open_cases = _open_cases(here)
    settled: bool | None = None
    for site_id in sorted(touched):
        found = [*spares.get(site_id, ()), *others.get(site_id, ())]
        old = stored.get(site_id, {})
        first = not old
        if first and site_id in others:
            # What is wrong with a site's people is news once its zone has had a round; else it was so when it came in.
            if settled is None:
                settled = newest_on(here.conn, here.zone) is not None
            first = not settled
        changes.site(site_id, found, old, open_cases.get(site_id, []), first=first)


@lru_cache(maxsize=2)
def _spares_query(marks: bool) -> Select[Any]:
    return (
        select(parts.c.site_id, *part_columns(marks))
        .join(sites, sites.c.id == parts.c.site_id)
        .where(parts.c.unit_id.is_(None), parts.c.state == "spare", HERE)
        .order_by(parts.c.site_id, parts.c.id)
    )


def _spares(here: Here, marks: bool) -> dict[int, list[Part]]:
    read = (parts, sites)
    return recall(here.conn, ("spares", here.zone, marks), read, lambda: _read_spares(here, marks))


def _read_spares(here: Here, marks: bool) -> dict[int, list[Part]]:
    found: dict[int, list[Part]] = {}
    for site_id, *rest in here.conn.execute(_spares_query(marks), {"b_zone": here.zone}):
        found.setdefault(site_id, []).append(Part(*rest))
    return found


_STORED = select(*STORED, duties.c.site_id, *KEPT).join(sites, sites.c.id == duties.c.site_id).where(OF_SITE, HERE)
_OPEN_CASES = (
    select(*CASE)
    .join(sites, sites.c.id == cases.c.site_id)
    # Groups have a site too; they come and go with their members.
    .where(cases.c.unit_id.is_(None), cases.c.closed_at.is_(None), cases.c.cause.not_like(GROUPS), HERE)
    .order_by(cases.c.id)
)


def _stored(here: Here) -> dict[int, dict[str, Stored]]:
    of_zone = (duties,)
    return recall(here.conn, ("site duties", here.zone), (sites,), lambda: _read_stored(here), here.zone, of_zone)


def _read_stored(here: Here) -> dict[int, dict[str, Stored]]:
    found: dict[int, dict[str, Stored]] = {}
    for row in here.conn.execute(_STORED, {"b_zone": here.zone}):
        found.setdefault(row[_WIDTH], {})[row[0]] = stored_duty(row)
    return found


def _open_cases(here: Here) -> dict[int, list[OpenCase]]:
    return recall(here.conn, ("cases here", here.zone), (sites,), lambda: _read_open_cases(here), here.zone, (cases,))


def _read_open_cases(here: Here) -> dict[int, list[OpenCase]]:
    found: dict[int, list[OpenCase]] = {}
    for row in here.conn.execute(_OPEN_CASES, {"b_zone": here.zone}):
        case = OpenCase(*row)
        found.setdefault(case.site_id, []).append(case)
    return found
