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
            for name in ("uid", "sequence", "revision", "changed_at", "not_recorded_since")
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
_CLOSE = update(cases).where(cases.c.id == bindparam("row_id")).values(state="closed", closed_at=bindparam("now"))


def write(conn: Connection, changes: Changes, now: datetime) -> None:
    """All of it; the caller's transaction makes it all or nothing."""
    if changes.gone_duties:
        conn.execute(
            delete(duties).where(duties.c.id == bindparam("row_id")), [{"row_id": i} for i in changes.gone_duties]
        )
    for table, rows in (
        (duties, changes.new_duties),
        (moves, changes.moves),
        (conditions, changes.new_conditions),
        (cases, changes.opened),
    ):
        if rows:
            conn.execute(insert(table), rows)
    for statement, rows in (
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
        some = changed[start : start + 500]
        groups = select(cases.c.group_id).where(cases.c.id.in_(some), cases.c.group_id.is_not(None))
        conn.execute(update(cases).where(cases.c.id.in_(groups.scalar_subquery())).values(stale=True))
