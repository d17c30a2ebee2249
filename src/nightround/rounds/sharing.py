"""Tells units of what their site keeps for them: reads the spares of sites, and which units they are promised to.

A promise is made among all units of a site, whichever of them a batch holds. The others are read only where a unit of
the batch would have to order what its site keeps; of a fleet whose sites keep no spares nothing is asked at all.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from datetime import date
from functools import lru_cache
from typing import Any, Protocol

from sqlalchemy import BindParameter, Connection, Select, and_, bindparam, select, union

from ..reckoning.duties import Reckoner
from ..reckoning.facts import Part, Place, UnitFacts
from ..reckoning.sharing import Claim, promised
from ..store.recalling import recall
from ..store.tables import duties, parts, units
from .loading import Loaded, facts_of, named, part_columns, within

logger = logging.getLogger("nightround.rounds")

_CHUNK = 500
_OF_SITES = parts.c.unit_id.is_(None)
_KEPT = and_(_OF_SITES, parts.c.state == "spare")
ANY_KEPT = select(parts.c.id).where(_KEPT).exists()  # whether any site keeps a spare


class At(Protocol):
    """Gives who reckons at that kind of place on that day."""

    def __call__(self, place: Place, day: date) -> Reckoner: ...


def with_promises(conn: Connection, found: Iterator[Loaded], ids: Sequence[int], day: date, at: At) -> Iterator[Loaded]:
    """The same units (ids in rising order), each with what its site keeps for it on the day."""
    kept = recall(conn, ("kept for", *ids), (parts, units), lambda: _spares(conn, ids))
    if not kept:
        yield from found
        return
    batch = list(found)
    claims: dict[int, list[Claim]] = {}
    for loaded in batch:
        if loaded.site_id in kept:
            kinds = {spare.kind for spare in kept[loaded.site_id]}
            asked = [claim for claim in _claims(at(loaded.place, day), loaded.facts) if claim.kind in kinds]
            if asked:
                claims.setdefault(loaded.site_id, []).extend(asked)
    if claims:
        there = tuple(sorted(claims))
        others = recall(conn, ("units at", *there), (units,), lambda: _units_at(conn, there))
        rest = sorted(set(others) - set(ids))
        for start in range(0, len(rest), _CHUNK):
            for _, site_id, place, facts in facts_of(conn, rest[start : start + _CHUNK]):
                claims[site_id] += _claims(at(place, day), facts)
    of_unit: dict[str, list[tuple[int, date]]] = {}
    for site_id, asked in claims.items():
        for claim, good in promised(day, kept[site_id], asked).items():
            of_unit.setdefault(claim.unit, []).append((claim.part_id, good))
    for loaded in batch:
        mine = of_unit.get(loaded.facts.unit)
        yield loaded._replace(facts=loaded.facts._replace(promised=tuple(mine))) if mine else loaded


def _claims(reckoner: Reckoner, facts: UnitFacts) -> list[Claim]:
    """What a unit claims. One with impossible facts is reported where it is reckoned itself, and claims nothing."""
    try:
        return reckoner.claims(facts)
    except (ValueError, OverflowError, LookupError, TypeError):
        logger.debug("no claim to spares", extra={"unit": facts.unit}, exc_info=True)
        return []


def _spares(conn: Connection, ids: Sequence[int]) -> dict[int, list[Part]]:
    found: dict[int, list[Part]] = {}
    for site_id, *rest in conn.execute(_spares_query(ids[-1] - ids[0] + 1 == len(ids)), named(ids)):
        found.setdefault(site_id, []).append(Part(*rest))
    return found


@lru_cache(maxsize=2)
def _spares_query(ranged: bool) -> Select[Any]:
    here = select(units.c.site_id).where(within(units.c.id, ranged))
    return (
        select(parts.c.site_id, *part_columns(marks=False))
        .where(_KEPT, parts.c.site_id.in_(here))
        .order_by(parts.c.site_id, parts.c.id)
    )


_UNITS_AT = select(units.c.id).where(units.c.site_id.in_(bindparam("b_sites", expanding=True)))


def _units_at(conn: Connection, site_ids: Sequence[int]) -> list[int]:
    found: list[int] = []
    for start in range(0, len(site_ids), _CHUNK):
        found += conn.execute(_UNITS_AT, {"b_sites": site_ids[start : start + _CHUNK]}).scalars()
    return found


_ANY_OF_SITES = select(select(parts.c.id).where(_OF_SITES).exists())
_SOME: BindParameter[Any] = bindparam("b_ids", expanding=True)
# Where they stand, and where they stood when they were last reckoned: there, too, something is free now.
_THEIRS = union(
    select(units.c.site_id).where(units.c.id.in_(_SOME)), select(duties.c.site_id).where(duties.c.unit_id.in_(_SOME))
)
_KEEPS = select(parts.c.site_id).where(_OF_SITES)  # in whatever state: the last spare may just have been used up
_SHARING = select(units.c.id).where(units.c.site_id.in_(_THEIRS), units.c.site_id.in_(_KEEPS))
_SHARING_AT = _UNITS_AT.where(units.c.site_id.in_(_KEEPS))


def sharing(conn: Connection, unit_ids: Sequence[int], site_ids: Sequence[int]) -> set[int]:
    """The units that share spares with one of these, or at one of these sites: what becomes of one concerns all."""
    if not conn.execute(_ANY_OF_SITES).scalar_one():
        return set()
    found: set[int] = set()
    for start in range(0, len(unit_ids), _CHUNK):
        found |= set(conn.execute(_SHARING, {"b_ids": unit_ids[start : start + _CHUNK]}).scalars())
    for start in range(0, len(site_ids), _CHUNK):
        found |= set(conn.execute(_SHARING_AT, {"b_sites": site_ids[start : start + _CHUNK]}).scalars())
    return found
