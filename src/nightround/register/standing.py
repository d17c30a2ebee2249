"""Puts the parts on record as the log tells them: what `register.fitted` finds becomes the rows of the units' parts."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, bindparam, insert, select, update

from ..reckoning.facts import Entry, Fitting
from ..store.tables import parts, units
from .fitted import Columns, Happened, Held, Replayed, replay

ALONE = "-"  # in `declared`: no file tells of the part, the log alone does
_NAMES = Columns._fields


def stand(
    conn: Connection, unit_ids: Sequence[int], told: Mapping[int, Sequence[Entry]]
) -> dict[int, tuple[Fitting, ...]]:
    """Writes the parts of these units as their unstruck entries tell them, in the caller's unit of work.

    Gives, by unit, the fittings that only the register tells of.
    """
    held = held_of(conn, unit_ids)
    rows = conn.execute(select(units.c.id, units.c.made_on).where(units.c.id.in_(unit_ids)))
    made_on: dict[int, date | None] = {row.id: row.made_on for row in rows}
    new: list[dict[str, Any]] = []
    changed: list[dict[str, Any]] = []
    found: dict[int, tuple[Fitting, ...]] = {}
    for unit_id in unit_ids:
        before, happened = held.get(unit_id, ()), happened_of(told.get(unit_id, ()))
        if not before and not happened:
            continue
        after = replay(before, happened, made_on[unit_id])
        found[unit_id] = after.fittings
        _compare(unit_id, before, after, new, changed)
    if changed:
        names = (*_NAMES, "fitted_by", "declared")
        values: dict[str, Any] = {name: bindparam(f"new_{name}") for name in names}
        conn.execute(update(parts).where(parts.c.id == bindparam("of")).values(values), changed)
    if new:
        conn.execute(insert(parts), new)
    return found


def settle_for_good(conn: Connection, unit_ids: Sequence[int], gone: Mapping[int, Sequence[Entry]]) -> None:
    """Makes what these entries did to the parts what the register declares, before they are discarded.

    Of each kind of part they must be the first entries in the log. The rest of the log then leaves what it left before.
    """
    changed: list[dict[str, Any]] = []
    for unit_id, held in held_of(conn, unit_ids).items():
        happened = happened_of(gone.get(unit_id, ()))
        ids = {one.id for one in happened}
        for part, after in zip(held, replay(held, happened, None).parts, strict=False):
            is_theirs = part.fitted_by in ids
            if is_theirs or (part.declared is not None and after.now.state != part.declared.state):
                by = None if is_theirs else part.fitted_by
                changed.append({"of": part.id, "by": by, "said": written(after.now, part.now)})
    if changed:
        values: dict[str, Any] = {"fitted_by": bindparam("by"), "declared": bindparam("said")}
        conn.execute(update(parts).where(parts.c.id == bindparam("of")).values(values), changed)


def redeclared(before: Any, after: Mapping[str, Any]) -> str:
    """`declared` of a row that a file changes: what it says anew it declares, what it leaves stays as it was.

    `before` is the row, `after` its columns by name once the file has been written.
    """
    names = [name for name in _NAMES if getattr(before, name) != after[name]]
    if before.declared == ALONE:
        return "" if {"state", "fitted_on"} & set(names) else ALONE
    if not before.declared:
        return ""
    said = read(before.declared)._replace(**{name: after[name] for name in names})
    return written(said, Columns(*(after[name] for name in _NAMES)))


def written(declared: Columns | None, now: Columns) -> str:
    """`declared` as its column holds it."""
    if declared is None:
        return ALONE
    if declared == now:
        return ""
    return json.dumps([day.isoformat() if isinstance(day, date) else day for day in declared], ensure_ascii=False)


def read(text: str) -> Columns:
    """What `written` wrote of a part that the log has changed since."""
    state, lot, label_date, good, read_from, fitted_on, udi, odd = json.loads(text)
    return Columns(state, lot, label_date, _day(good), read_from, _day(fitted_on), udi, odd)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def held_of(conn: Connection, unit_ids: Sequence[int]) -> dict[int, list[Held]]:
    """The parts on record of these units, by unit."""
    columns = [parts.c[name] for name in _NAMES]
    query = select(parts.c.unit_id, parts.c.id, parts.c.kind, parts.c.fitted_by, parts.c.declared, *columns)
    found: dict[int, list[Held]] = {}
    for row in conn.execute(query.where(parts.c.unit_id.in_(unit_ids)).order_by(parts.c.id)):
        unit_id, part_id, kind, fitted_by, said, *rest = row
        now = Columns(*rest)
        declared = None if said == ALONE else read(said) if said else now
        found.setdefault(unit_id, []).append(Held(part_id, kind, now, declared, fitted_by))
    return found


def happened_of(entries: Iterable[Entry]) -> list[Happened]:
    """What of these entries is about parts, in their order."""
    return [
        Happened(entry.id, entry.day, entry.entry, entry.part)
        for entry in entries
        if entry.known and entry.entry in ("fitted", "removed") and entry.part.get("kind")
    ]


def _compare(
    unit_id: int, before: Sequence[Held], after: Replayed, new: list[dict[str, Any]], changed: list[dict[str, Any]]
) -> None:
    for place, part in enumerate(after.parts):
        row = part.now._asdict() | {"fitted_by": part.fitted_by, "declared": written(part.declared, part.now)}
        if part.id is None:
            new.append(row | {"unit_id": unit_id, "kind": part.kind})
        elif part != before[place]:
            changed.append({"of": part.id} | {f"new_{name}": value for name, value in row.items()})
