"""Writes the rows that a batch found, in the caller's unit of work."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, bindparam, case, delete, insert, select, update

from ..store.tables import cases, conditions, duties, moves
from .causes import spoken
from .differences import Changes
from .events import record_all, record_opened
from .loading import STORED

_DUTY = (
    update(duties)
    .where(duties.c.id == bindparam("row_id"))
    .values(
        {column.name: bindparam(f"new_{column.name}") for column in STORED}
        | {
            name: bindparam(f"new_{name}")
            for name in ("uid", "sequence", "revision", "changed_at", "not_recorded_since", "site_id")
        }
    )
)
_CONDITION = (
    update(conditions)
    .where(conditions.c.unit_id == bindparam("row_id"))
    .values(
        condition=bindparam("new_condition"),
        reasons=bindparam("new_reasons"),
        since=case((bindparam("moved"), bindparam("new_since")), else_=conditions.c.since),
        reckoned_on=bindparam("new_since"),
    )
)
_CASE = (
    update(cases)
    .where(cases.c.id == bindparam("row_id"))
    .values(
        {
            name: bindparam(f"new_{name}")
            for name in ("kind", "severity", "shared", "what", "paused", "paused_until", "site_id")
        }
    )
)
_GONE = delete(duties).where(duties.c.id == bindparam("row_id"))
_NEW_DUTY, _MOVE, _NEW_CONDITION, _OPEN = (insert(table) for table in (duties, moves, conditions, cases))
_OUTDATE = (
    update(cases)
    .where(
        cases.c.id.in_(
            select(cases.c.group_id)
            .where(cases.c.id.in_(bindparam("b_changed", expanding=True)), cases.c.group_id.is_not(None))
            .scalar_subquery()
        )
    )
    .values(stale=True)
)
_CLOSE = update(cases).where(cases.c.id == bindparam("row_id")).values(state="closed", closed_at=bindparam("now"))


def write(conn: Connection, changes: Changes, now: datetime) -> None:
    """All of it; the caller's transaction makes it all or nothing."""
    for statement, rows in (
        (_GONE, [{"row_id": number} for number in changes.gone_duties]),
        (_NEW_DUTY, changes.new_duties),
        (_MOVE, changes.moves),
        (_NEW_CONDITION, changes.new_conditions),
        (_OPEN, changes.opened),
        (_DUTY, changes.changed_duties),
        (_CONDITION, changes.changed_conditions),
        (_CASE, changes.reworded),
        (_CLOSE, [{"row_id": case_id, "now": now} for case_id in changes.closed]),
    ):
        if rows:
            conn.execute(statement, rows)
    _outdate(conn, [*[row["row_id"] for row in changes.reworded], *changes.closed])
    record_opened(conn, [(row["cause"], spoken(row["what"])) for row in changes.opened], now)
    record_all(conn, changes.events)


def _outdate(conn: Connection, changed: Sequence[int]) -> None:
    """Marks the groups that these cases are told by: what they say is to be looked at again."""
    for start in range(0, len(changed), 500):
        conn.execute(_OUTDATE, {"b_changed": changed[start : start + 500]})
