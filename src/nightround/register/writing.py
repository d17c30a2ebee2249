"""Writes what an import plans, in the caller's unit of work: batches, never a row at a time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, bindparam, delete, insert, select, update

from ..store import marks
from ..store.tables import (
    absences,
    closures,
    fleet,
    parts,
    people,
    person_roles,
    person_sites,
    rota,
    sites,
    training,
    units,
)
from .comparing.comparison import Draft, Plan
from .comparing.happenings import entry_of
from .comparing.known import Columns
from .evidence import refresh
from .found import Progress
from .log import append_many
from .recording import turn_back
from .standing import redeclared
from .witnesses import logged_by

_BATCH = 5000
# Table → code → the column that holds the id of what the code names.
_REFERENCES: dict[str, tuple[tuple[str, str], ...]] = {
    "units": (("site", "site_id"),),
    "parts": (("unit", "unit_id"), ("site", "site_id")),
    "training": (("person", "person_id"),),
    "rota": (("person", "person_id"),),
    "absences": (("person", "person_id"),),
    "closures": (("site", "site_id"),),
}
_WITH_REVISION = (sites, units)
# What one of these says may change what people owe, or whether a site has enough of them.
_OF_PEOPLE = ("people", "training", "sites", "units")


def write(conn: Connection, plan: Plan, now: datetime, progress: Progress) -> set[int]:
    """Writes all of it, marks whose duties may have moved, and gives the ids of the units among them."""
    count = _Count(plan, progress)
    ids: dict[str, dict[str, int]] = {}
    _write(conn, sites, plan, ids, count)
    ids["site"] = _ids(conn, sites.c.site, sites.c.id)
    _write(conn, units, plan, ids, count)
    ids["unit"] = _ids(conn, units.c.unit, units.c.id)
    _write(conn, people, plan, ids, count)
    ids["person"] = _ids(conn, people.c.person, people.c.id)
    _people_belong(conn, plan, ids)
    _redeclare(conn, plan)
    for table in (parts, training, rota, absences, closures):
        _write(conn, table, plan, ids, count)
    _log(conn, plan, ids["unit"], now, count)
    touched = {ids["unit"][unit] for unit in plan.units} | _units_at(conn, ids["site"], plan.sites)
    redigest = {ids["unit"][unit] for unit in plan.redigest} | _units_at(conn, ids["site"], plan.redigest_sites)
    if conn.execute(select(fleet.c.log_count)).scalar_one():
        # Whose word counts from here on, or until when, is another now.
        redigest |= logged_by(conn, {*(row["person"] for row in plan.new.get("people", [])), *plan.witnesses})
    refresh(conn, redigest)
    touched |= redigest
    everybody = any(some.get(table) for some in (plan.new, plan.changed) for table in _OF_PEOPLE)
    if count.total or plan.displaced:
        theirs = {ids["site"][site] for site in plan.sites} | _with_spares(plan)
        marks.leave(conn, now, units=touched, sites=theirs, everybody=everybody)
    return touched


def _with_spares(plan: Plan) -> set[int]:
    """The sites of which the file tells spares of no one unit."""
    rows = [row for some in (plan.new, plan.changed) for row in some.get("parts", [])]
    return {row["site_id"] for row in rows if not row["unit_id"]}


class _Count:
    """How far it is."""

    def __init__(self, plan: Plan, progress: Progress) -> None:
        rows = [len(some) for some in (*plan.new.values(), *plan.changed.values())]
        self.total = sum(rows) + len(plan.entries)
        self._done = 0
        self._progress = progress

    def add(self, rows: int) -> None:
        self._done += rows
        self._progress(self._done, self.total)


def _write(conn: Connection, table: Table, plan: Plan, ids: dict[str, dict[str, int]], count: _Count) -> None:
    name = table.name
    names = [column.name for column in table.columns if column.name != "id"]
    kept = [column for column in names if column not in ("revision", "letters_off", "fitted_by", "declared")]
    for rows in _batches(plan.new.get(name, [])):
        _resolve(name, rows, ids)
        conn.execute(insert(table), [{column: row.get(column) for column in kept} for row in rows])
        count.add(len(rows))
    for rows in _batches(plan.changed.get(name, [])):
        _resolve(name, rows, ids)
        told = [column for column in kept if column != "label"]
        values: dict[str, Any] = {column: bindparam(f"new_{column}") for column in told}
        if table in _WITH_REVISION:
            values["revision"] = table.c.revision + 1
        statement = update(table).where(table.c.id == bindparam("of")).values(values)
        conn.execute(
            statement, [{"of": row["id"]} | {f"new_{column}": row.get(column) for column in told} for row in rows]
        )
        count.add(len(rows))


def _redeclare(conn: Connection, plan: Plan) -> None:
    """Writes down, of parts that the log has changed, what the file declares of them; and takes off the displaced."""
    after: dict[int, Columns] = {row["id"]: row for row in plan.changed.get("parts", [])}
    after |= {part_id: {"state": "removed"} for part_id in plan.displaced}
    said: list[Columns] = []
    for some in _chunks(sorted(after)):
        for row in conn.execute(select(parts).where(parts.c.id.in_(some), parts.c.declared != "")):
            said.append({"of": row.id, "said": redeclared(row, dict(row._mapping) | after[row.id])})
    if said:
        conn.execute(update(parts).where(parts.c.id == bindparam("of")).values(declared=bindparam("said")), said)
    if plan.displaced:
        taken_off = update(parts).where(parts.c.id == bindparam("of")).values(state="removed")
        conn.execute(taken_off, [{"of": part_id} for part_id in plan.displaced])


def _chunks(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(ids), 500):
        yield ids[start : start + 500]


def _resolve(table: str, rows: Iterable[Columns], ids: dict[str, dict[str, int]]) -> None:
    """Puts ids where the plan has codes."""
    for code, column in _REFERENCES.get(table, ()):
        known = ids[code]
        for row in rows:
            named = row.get(code)
            row[column] = known[named] if named else None


def _people_belong(conn: Connection, plan: Plan, ids: dict[str, dict[str, int]]) -> None:
    """Roles and sites of the people who are new or have changed."""
    theirs = [{"of": ids["person"][person]} for person in plan.roles]
    if not theirs:
        return
    known = [{"of": ids["person"][row["person"]]} for row in plan.changed.get("people", [])]
    if known:
        conn.execute(delete(person_roles).where(person_roles.c.person_id == bindparam("of")), known)
        conn.execute(delete(person_sites).where(person_sites.c.person_id == bindparam("of")), known)
    roles = [{"person_id": ids["person"][person], "role": role} for person, told in plan.roles.items() for role in told]
    places = [
        {"person_id": ids["person"][person], "site_id": ids["site"][site]}
        for person, told in plan.person_sites.items()
        for site in told
    ]
    for table, rows in ((person_roles, roles), (person_sites, places)):
        for some in _batches(rows):
            conn.execute(insert(table), some)


def _log(conn: Connection, plan: Plan, unit_ids: dict[str, int], now: datetime, count: _Count) -> None:
    """The entries, then those that strike one of them or one on record."""
    numbered = dict(plan.numbered)
    plain = [draft for draft in plan.entries if not draft.strikes]
    striking = [draft for draft in plan.entries if draft.strikes]
    for drafts in (plain, striking):
        for some in _drafts(drafts):
            entries = [entry_of(draft, unit_ids[draft.unit], numbered) for draft in some]
            for draft in some:
                if draft.strikes in plan.numbered:  # one of this file never did anything
                    turn_back(conn, plan.numbered[draft.strikes])
            for draft, entry_id in zip(some, append_many(conn, entries, now), strict=True):
                if draft.number:
                    numbered[draft.number] = entry_id
            count.add(len(some))


def _drafts(drafts: Sequence[Draft]) -> Iterator[Sequence[Draft]]:
    for start in range(0, len(drafts), _BATCH):
        yield drafts[start : start + _BATCH]


def _batches(rows: list[Columns]) -> Iterator[list[Columns]]:
    for start in range(0, len(rows), _BATCH):
        yield rows[start : start + _BATCH]


def _ids(conn: Connection, code: Any, column: Any) -> dict[str, int]:
    return {row[0]: row[1] for row in conn.execute(select(code, column))}


def _units_at(conn: Connection, site_ids: dict[str, int], codes: Iterable[str]) -> set[int]:
    found: set[int] = set()
    wanted = sorted(site_ids[code] for code in codes)
    for start in range(0, len(wanted), 500):
        query = select(units.c.id).where(units.c.site_id.in_(wanted[start : start + 500]))
        found |= set(conn.execute(query).scalars())
    return found
