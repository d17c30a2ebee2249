"""Cases as tables and answers show them: a group stands for its members. Looks only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, select, true

from ..errors import UserError
from ..rounds.causes import WEIGHT, sentences
from ..store.tables import cases, people, sites, units
from .history import history

_CHUNK = 500
# Why a case rests, in words.
PAUSED = {"closed": "site closed", "unreliable": "waits until the unit can be relied on"}


class Which(StrEnum):
    """Which cases are listed."""

    OPEN = "open"
    CLOSED = "closed"
    ALL = "all"


_WANTED: dict[Which, ColumnElement[bool]] = {
    Which.OPEN: cases.c.closed_at.is_(None),
    Which.CLOSED: cases.c.closed_at.is_not(None),
    Which.ALL: true(),
}


def listed(conn: Connection, now: datetime, which: Which = Which.OPEN) -> list[dict[str, Any]]:
    """Cases, the open ones first, of them those that need somebody now, the worst first; members within their group.

    A case taken until a time that has passed is open again.
    """
    query = _rows(and_(_WANTED[which], cases.c.group_id.is_(None))).order_by(
        cases.c.closed_at.is_not(None),
        cases.c.paused != "",
        case(WEIGHT, value=cases.c.severity),
        cases.c.closed_at.desc(),
        cases.c.opened_on,
        cases.c.id,
    )
    found = [_one(row, now) for row in conn.execute(query)]
    members = _members(conn, [one["case"] for one in found if one["is_group"]])
    for one in found:
        one["members"] = members.get(one["case"], [])
    return found


def one(conn: Connection, case_id: int, now: datetime) -> dict[str, Any]:
    """One case with its members and its history. Raises UserError where there is none of that number."""
    row = conn.execute(_rows(cases.c.id == case_id)).first()
    if row is None:
        raise UserError(f"there is no case {case_id}; `nightround cases --all` lists them")
    found = _one(row, now)
    found["members"] = _members(conn, [case_id]).get(case_id, [])
    found["history"] = [event.as_dict() for event in history(conn, case_id)]
    return found


def _rows(wanted: ColumnElement[bool]) -> Any:
    return (
        select(cases, units.c.unit, sites.c.site, people.c.person)
        .select_from(
            cases.outerjoin(sites, sites.c.id == cases.c.site_id)
            .outerjoin(units, units.c.id == cases.c.unit_id)
            .outerjoin(people, people.c.id == cases.c.person_id)
        )
        .where(wanted)
    )


def _one(row: Any, now: datetime) -> dict[str, Any]:
    taken = row.state == "taken" and row.taken_until is not None and row.taken_until > now
    state = "closed" if row.closed_at is not None else "taken" if taken else "paused" if row.paused else "open"
    return {
        "case": row.id,
        "cause": row.cause,
        "kind": row.kind,
        "severity": row.severity,
        "state": state,
        "said": _said(row, state),
        "unit": row.unit,
        "site": row.site,
        "person": row.person,
        "zone": row.zone or None,
        "opened_on": row.opened_on,
        "closed_at": row.closed_at,
        "taken_by": row.taken_by if taken else "",
        "taken_until": row.taken_until if taken else None,
        "paused": row.paused,
        "paused_until": row.paused_until,
        "group": row.group_id,
        "is_group": is_group(row.cause),
        "reasons": sentences(row.what),
    }


def is_group(cause: str) -> bool:
    """Whether the case of that cause is a group, which stands for its members."""
    return cause.startswith("s") and "/group/" in cause


def _said(row: Any, state: str) -> str:
    if state == "taken":
        return f"taken by {row.taken_by}"
    if state == "paused":
        until = f" until {row.paused_until}" if row.paused_until is not None else ""
        return f"paused: {PAUSED.get(row.paused, row.paused)}{until}"
    return state


def _members(conn: Connection, group_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = {}
    for some in _chunks(group_ids):
        query = (
            select(cases.c.group_id, cases.c.id, units.c.unit, cases.c.kind, cases.c.severity, cases.c.closed_at)
            .outerjoin(units, units.c.id == cases.c.unit_id)
            .where(cases.c.group_id.in_(some))
            .order_by(units.c.unit, cases.c.id)
        )
        for row in conn.execute(query):
            found.setdefault(row.group_id, []).append(
                {
                    "case": row.id,
                    "unit": row.unit,
                    "kind": row.kind,
                    "severity": row.severity,
                    "state": "closed" if row.closed_at is not None else "open",
                }
            )
    return found


def _chunks(ids: Sequence[int]) -> Iterable[Sequence[int]]:
    for start in range(0, len(ids), _CHUNK):
        yield ids[start : start + _CHUNK]
