"""Moves that the log of a file tells of: each moves its unit as one that is logged does, in the order of time.

An export says of each move where from, and its units sheet where each unit stands since. A log written by hand says
neither: where from follows from the moves before, and the unit stands where the last of them put it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import select

from ...reckoning.placing import MOVED
from ...store.tables import log
from ..changes import Change, shown
from ..moving import LONGEST, as_told
from ..whereabouts import (
    COVERS,
    FLOOR,
    FROM,
    FROM_FLOOR,
    FROM_POSITION,
    FROM_SPOT,
    SITE,
    SPOT,
    Stand,
    before,
    first_written,
)
from .comparison import Comparison, Draft, Where
from .known import Columns

_TOLD = (SITE, SPOT, FLOOR, COVERS)
_PLACE = ("site", "spot", "floor", "latitude", "longitude")


class _Move(NamedTuple):
    at: datetime
    id: int
    readings: dict[str, str]
    place: int | None  # in the plan's entries; None: it is in the log already


def by_hand(draft: Draft) -> bool:
    """Whether it is a move, told without where from, by somebody who is known."""
    return (
        draft.entry == MOVED
        and bool(draft.by)
        and FROM not in draft.readings
        and any(name in draft.readings for name in _TOLD)
    )


def complaint(comparison: Comparison, draft: Draft) -> str:
    """What is wrong with a move as it is told, with the cure; "" where nothing is."""
    said = draft.readings
    if SITE in said and not comparison.has_site(said[SITE]):
        return f"site {said[SITE]!r} is not in the register; give a site's code, or tell of it in a sheet 'sites'"
    if COVERS in said and (said[COVERS] == draft.unit or comparison.unit(said[COVERS]) is None):
        return f"unit {said[COVERS]!r} cannot be covered by {draft.unit}; give the code of another unit of the register"
    for name in (SPOT, FLOOR):
        if len(said.get(name, "")) > LONGEST:
            return f"the {name} has {len(said[name])} characters; {LONGEST} are the most, so shorten it"
    return ""


def recorded(comparison: Comparison, drafts: Iterable[Draft]) -> dict[int, int]:
    """Place in the list → id, of the moves told by hand that are in the log already."""
    known = comparison.known
    wanted = {place: draft for place, draft in enumerate(drafts) if by_hand(draft) and draft.unit in known.units}
    if not wanted or not known.log_count:
        return {}
    query = select(log.c.unit_id, log.c.id, log.c.at, log.c.by_person, log.c.note, log.c.readings)
    rows = known.some(query.where(log.c.entry == MOVED), {known.units[one.unit].id for one in wanted.values()})
    held: dict[tuple[int, datetime, str, str], list[Any]] = {}
    for row in rows:
        held.setdefault((row.unit_id, row.at, row.by_person, row.note), []).append(row)
    found = {}
    for place, draft in wanted.items():
        for row in held.get((known.units[draft.unit].id, draft.at, draft.by, draft.note), ()):
            told = as_told(MOVED, json.loads(row.readings))
            # Of a loan the log keeps the place of the unit covered too.
            if told == draft.readings or (COVERS in draft.readings and draft.readings.items() <= told.items()):
                found[place] = row.id
    return found


def compare_moves(comparison: Comparison, told: Iterable[Draft]) -> set[str]:
    """Plans where units stand by the moves of the file's log, and says where from in those that do not.

    `told` are all entries of the file, those in the log already too. Gives the units of which the moves decide.
    """
    drafts = [draft for draft in told if draft.entry == MOVED and draft.by]
    rows = {row["unit"]: row for name in ("new", "changed") for row in getattr(comparison.plan, name).get("units", [])}
    sheet = {row.values.get("unit") for row in comparison.rows("units")}
    wanted = {draft.unit for draft in drafts if by_hand(draft)}
    planned = {draft.unit for draft in comparison.plan.entries if draft.entry == MOVED and draft.by}
    wanted |= planned - sheet  # an export of the log alone
    held = comparison.known.unit_rows(wanted)
    log_moves, struck = _moves_of(comparison, [columns["id"] for columns in held.values()])
    settled = set()
    for unit in sorted(wanted):
        old = held.get(unit)
        row = rows.get(unit)
        first = old or row
        if first is None or not first["site"]:
            continue
        _in_turn(comparison, unit)
        moves = _timeline(comparison, unit, log_moves.get(old["id"], []) if old else [])
        seen = _walk(comparison, _of(first), moves, struck)
        if old is not None and row is not None and _is_news(row, old, seen):
            continue
        settled.add(unit)
        _stand(comparison, unit, old, row, seen[-1], in_sheet=unit in sheet)
    return settled


def _in_turn(comparison: Comparison, unit: str) -> None:
    """The unit's moves are written in the order of time: the first of them says where the unit stood at first."""
    entries = comparison.plan.entries
    places = [place for place, draft in enumerate(entries) if draft.unit == unit and by_hand(draft)]
    drafts = sorted((entries[place] for place in places), key=lambda draft: draft.at)
    for place, draft in zip(places, drafts, strict=True):
        entries[place] = draft


def _is_news(row: Columns, old: Columns, seen: list[Stand]) -> bool:
    """Whether the units sheet tells of yet another place than those between which the log moved the unit."""
    if row["site"] != seen[-1].site:
        return row["site"] not in {old["site"], *(place.site for place in seen)}
    return row["spot"] not in {"", old["spot"], *(place.spot for place in seen if place.site == row["site"])}


def _of(columns: Columns) -> Stand:
    return Stand(*(columns[name] for name in _PLACE))


def _moves_of(comparison: Comparison, unit_ids: list[int]) -> tuple[dict[int, list[_Move]], set[int]]:
    """The moves of these units that are in the log, and the ids of those struck, by the file too."""
    found: dict[int, list[_Move]] = {}
    if not comparison.known.log_count:
        return found, set()
    query = select(log.c.unit_id, log.c.id, log.c.at, log.c.entry, log.c.readings, log.c.strikes)
    struck = {comparison.plan.numbered[one.strikes] for one in comparison.plan.entries
              if one.strikes in comparison.plan.numbered}  # fmt: skip
    for row in comparison.known.some(query.where(log.c.entry.in_((MOVED, "struck"))), unit_ids):
        if row.strikes is not None:
            struck.add(row.strikes)
        elif '"from"' in row.readings:
            found.setdefault(row.unit_id, []).append(_Move(row.at, row.id, json.loads(row.readings), None))
    return found, struck


def _timeline(comparison: Comparison, unit: str, moves: list[_Move]) -> list[_Move]:
    """All moves of a unit in the order of time, those of the file after those of the log at the same instant."""
    latest = max((move.id for move in moves), default=0)
    numbers = {draft.strikes for draft in comparison.plan.entries if draft.strikes}
    found = list(moves)
    for place, draft in enumerate(comparison.plan.entries):
        is_theirs = draft.unit == unit and draft.entry == MOVED and bool(draft.by)
        if is_theirs and (not draft.number or draft.number not in numbers) and draft.readings.keys() & {FROM, *_TOLD}:
            found.append(_Move(draft.at, latest + 1 + place, draft.readings, place))
    return sorted(found, key=lambda move: (move.at, move.id))


def _walk(comparison: Comparison, present: Stand, moves: list[_Move], struck: set[int]) -> list[Stand]:
    """Where the unit stood, one place after the other; writes into planned entries where from they moved it."""
    told = {move.id: move.readings for move in moves}
    first = first_written(told, struck)
    place = present if first is None else before(told[first])
    seen = [place]
    for move in moves:
        if move.place is None and move.id in struck:
            continue
        said = move.readings
        if move.place is not None and FROM not in said:
            said = _with_origin(comparison, said, place)
            draft = comparison.plan.entries[move.place]
            comparison.plan.entries[move.place] = draft._replace(readings=said)
        place = place.moved(said)
        seen.append(place)
    return seen


def _with_origin(comparison: Comparison, told: dict[str, str], here: Stand) -> dict[str, str]:
    said = dict(told)
    if COVERS in said:
        other = comparison.unit(said[COVERS])
        assert other is not None  # looked at with the row
        said.setdefault(SITE, other.site)
    said |= {FROM: here.site, FROM_SPOT: here.spot, FROM_FLOOR: here.floor}
    if here.latitude is not None and here.longitude is not None:
        said[FROM_POSITION] = f"{here.latitude!r},{here.longitude!r}"
    return said


def _stand(
    comparison: Comparison, unit: str, old: Columns | None, row: Columns | None, place: Stand, *, in_sheet: bool
) -> None:
    """Plans that the unit stands there, whatever its row in the units sheet says of the time before."""
    said = dict(zip(_PLACE, place, strict=True))
    report = comparison.report
    if row is not None and in_sheet and row["site"] != place.site:
        comparison.remark(f"units, {unit}: stands at {place.site} by the log, which moved it from {row['site']}")
    if old is None:
        assert row is not None
        row |= said
        comparison.stands[unit] = Where(place.site, row["made_on"])
        return
    report.changes[:] = [
        one for one in report.changes if (one.table, one.key) != ("units", unit) or one.field not in _PLACE
    ]
    after = {**(old if row is None else row), **said}
    moved = [name for name in _PLACE if old[name] != after[name]]
    report.changes += [Change("units", unit, name, shown(old[name]), shown(after[name])) for name in moved]
    others = row is not None and any(row[name] != old[name] for name in row if name not in (*_PLACE, "site_id"))
    counts, changed = report.count("units"), comparison.plan.changed.setdefault("units", [])
    if row is not None:
        changed.remove(row)
        counts.changed -= 1
    elif in_sheet:
        counts.unchanged -= 1
    if moved or others:
        changed.append(after)
        counts.changed += 1
        comparison.plan.units.add(unit)
        comparison.plan.redigest.add(unit)
    elif in_sheet:
        counts.unchanged += 1
    if not changed:
        del comparison.plan.changed["units"]
