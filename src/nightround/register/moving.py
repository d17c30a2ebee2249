"""Moves a unit: what its entry says becomes what the register holds, in the same unit of work, or nothing does.

The entry keeps how the register stood before, so that earlier days keep their zone and a wrong one can be turned back.
It sends no word to anybody: who is to be told follows from reckoning.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, select, update

from ..errors import UserError
from ..reckoning.placing import MOVED
from ..store.tables import log, sites, units
from .log import NewEntry
from .whereabouts import (
    ADDED,
    COVERS,
    FLOOR,
    FROM,
    FROM_FLOOR,
    FROM_POSITION,
    FROM_SPOT,
    SITE,
    SPOT,
    TOLD_BY,
    Stand,
    before,
    first_written,
)

_NEW = (SITE, SPOT, FLOOR, COVERS)
LONGEST = 200  # characters of a spot or a floor


def prepared(conn: Connection, entry: NewEntry, *, known: bool) -> NewEntry:
    """The entry of a move as it is kept: with how the register stands now, where it changes that.

    A move that names neither site nor spot is kept as a note. Raises UserError for a site or unit that is not in the
    register, for a move that changes nothing, and for one by somebody who is not known.
    """
    readings = {name: value.strip() for name, value in entry.readings.items()}
    if wrong := [name for name in (*ADDED, TOLD_BY) if name in readings]:
        raise UserError(f"reading {wrong[0]!r} is written by the program itself; leave it out")
    told = {name: readings[name] for name in _NEW if name in readings}
    if entry.entry != MOVED:
        _only_of_moves(told, entry.entry)
        return entry
    if not told:
        return replace(entry, readings=readings)
    if not known:
        raise UserError("only a known person can move a unit; say who (--by PERSON), or say the place in a note alone")
    here = _stands(conn, entry.unit_id)
    if COVERS in told:
        told = _in_place_of(conn, here, told)
    _check(conn, here, told)
    said = readings | told | {FROM: here.site, FROM_SPOT: here.spot, FROM_FLOOR: here.floor}
    if here.latitude is not None and here.longitude is not None:
        said[FROM_POSITION] = f"{here.latitude!r},{here.longitude!r}"
    return replace(entry, readings=said)


def carry_out(conn: Connection, entry: NewEntry) -> None:
    """Puts the unit where the entry says, unless a later move is in the log already: this one was written down late."""
    if FROM not in entry.readings or _moved_since(conn, entry):
        return
    said = entry.readings
    values: dict[str, Any] = {}
    if said.get(SITE, said[FROM]) != said[FROM]:
        # Spot, floor and position were those of the old site; they are not recorded until somebody says them.
        values = {"site_id": _site_id(conn, said[SITE]), "spot": "", "floor": "", "latitude": None, "longitude": None}
    elif SPOT in said:
        values = {"latitude": None, "longitude": None}
    values |= {name: said[name] for name in (SPOT, FLOOR) if name in said}
    if values:
        conn.execute(update(units).where(units.c.id == entry.unit_id).values(**values, revision=units.c.revision + 1))


def turn_back(conn: Connection, entry_id: int, unit_id: int) -> bool:
    """Puts the unit where the moves without one that is struck leave it. False where it no longer stands where the
    moves put it, or that one changed nothing: then the register stays as it is."""
    query = select(log.c.id, log.c.at, log.c.entry, log.c.readings, log.c.strikes).where(log.c.unit_id == unit_id)
    rows = conn.execute(query.where(log.c.entry.in_((MOVED, "struck"))).order_by(log.c.at, log.c.id)).all()
    struck = {row.strikes for row in rows if row.strikes is not None}
    moves = {row.id: json.loads(row.readings) for row in rows if row.entry == MOVED and '"from"' in row.readings}
    first = first_written(moves, struck)
    if first is None or entry_id not in moves or TOLD_BY in moves[entry_id]:
        return False
    with_it = without = before(moves[first])
    for number, said in moves.items():
        if number not in struck:
            with_it = with_it.moved(said)
            without = without if number == entry_id else without.moved(said)
    here = _stands(conn, unit_id)
    if (here.site, here.spot) != with_it[:2]:
        return False
    site_id = conn.execute(select(sites.c.id).where(sites.c.site == without.site)).scalar()
    if site_id is None:
        return False
    values = {"site_id": site_id, **{name: getattr(without, name) for name in Stand._fields if name != "site"}}
    conn.execute(update(units).where(units.c.id == unit_id).values(**values, revision=units.c.revision + 1))
    return True


def as_told(entry: str, readings: dict[str, str]) -> dict[str, str]:
    """The readings as somebody told them, without what recording added: two that are equal told the same."""
    if entry != MOVED:
        return readings
    return {name: value for name, value in readings.items() if name not in ADDED}


def _only_of_moves(told: dict[str, str], entry: str) -> None:
    for name in told:
        if name == COVERS:
            raise UserError(f"'covers' goes with a move; log it of the loan unit: moved, not {entry}")


def _stands(conn: Connection, unit_id: int) -> Any:
    query = select(units.c.unit, sites.c.site, units.c.spot, units.c.floor, units.c.latitude, units.c.longitude).join(
        sites, sites.c.id == units.c.site_id
    )
    return conn.execute(query.where(units.c.id == unit_id)).one()


def _in_place_of(conn: Connection, here: Any, told: dict[str, str]) -> dict[str, str]:
    """Site and spot of the unit in whose place this one is put, where no others are told."""
    other_id = conn.execute(select(units.c.id).where(units.c.unit == told[COVERS])).scalar()
    if other_id is None:
        raise UserError(f"unit {told[COVERS]!r}, to be covered, is not in the register; give the unit's code")
    other = _stands(conn, other_id)
    if other.unit == here.unit:
        raise UserError(f"unit {here.unit} cannot cover itself; log it of the loan unit that stands in its place")
    found = dict(told)
    if told.get(SITE, other.site) != other.site:
        raise UserError(
            f"{other.unit} stands at {other.site}, so that a loan unit at {told[SITE]} does not cover it; "
            "leave the site out, or leave out what it covers"
        )
    found[SITE] = other.site
    for name, value in ((SPOT, other.spot), (FLOOR, other.floor)):
        if value:
            found.setdefault(name, value)
    return found


def _check(conn: Connection, here: Any, told: dict[str, str]) -> None:
    for name in (SPOT, FLOOR):
        if len(told.get(name, "")) > LONGEST:
            raise UserError(f"the {name} has {len(told[name])} characters; {LONGEST} are the most, so shorten it")
    if SITE in told:
        _site_id(conn, told[SITE])
    same = all(told.get(name, now) == now for name, now in ((SITE, here.site), (SPOT, here.spot), (FLOOR, here.floor)))
    if same and COVERS not in told:
        raise UserError(
            f"unit {here.unit} stands there already, at {here.site}{f', {here.spot}' if here.spot else ''}; "
            "give the site or the spot where it stands now"
        )


def _site_id(conn: Connection, code: str) -> int:
    found = conn.execute(select(sites.c.id).where(sites.c.site == code)).scalar()
    if found is None:
        raise UserError(f"site {code!r} is not in the register; give a site's code, or import the site first")
    return int(found)


def _moved_since(conn: Connection, entry: NewEntry) -> bool:
    """Whether an unstruck move of a later time changed where the unit stands."""
    query = select(log.c.id, log.c.readings).where(
        log.c.unit_id == entry.unit_id, log.c.entry == MOVED, log.c.at > entry.at
    )
    later = {row.id for row in conn.execute(query) if '"from"' in row.readings}
    if not later:
        return False
    struck = select(log.c.strikes).where(log.c.unit_id == entry.unit_id, log.c.strikes.is_not(None))
    return bool(later - set(conn.execute(struck).scalars()))
