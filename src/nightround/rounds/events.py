"""The history of cases: one row for each thing that became of one. Adds rows and never changes one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, bindparam, insert, literal, select

from ..store.tables import case_events, cases

OPENED, REWORDED, RAISED, EASED = "opened", "reworded", "raised", "eased"
PAUSED, RESUMED, MOVED, CLOSED = "paused", "resumed", "moved", "closed"
GROUPED, UNGROUPED, DISSOLVED = "grouped", "ungrouped", "dissolved"
TAKEN, TOLD, TAKEN_BACK, NOT_REACHED = "taken", "told", "taken back", "not reached"

# The id of a case that was opened a moment ago is found by its cause, of which one at most is open.
_BY_CAUSE = insert(case_events).from_select(
    ["case_id", "at", "what", "by", "said"],
    select(
        cases.c.id,
        bindparam("event_at", type_=case_events.c.at.type),
        literal(OPENED),
        literal(""),
        bindparam("event_said", type_=case_events.c.said.type),
    ).where(cases.c.cause == bindparam("event_cause", type_=cases.c.cause.type), cases.c.closed_at.is_(None)),
)


_ADD = insert(case_events)


def record(conn: Connection, case_id: int, at: datetime, what: str, by: str = "", said: str = "") -> None:
    """Adds one event to the history of a case. `by` is a person's code, "" for the program itself."""
    record_all(conn, [event(case_id, at, what, by, said)])


def event(case_id: int, at: datetime, what: str, by: str = "", said: str = "") -> dict[str, Any]:
    """A row of the history, to be added with others."""
    return {"case_id": case_id, "at": at, "what": what, "by": by, "said": said}


def record_all(conn: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Adds many events."""
    if rows:
        conn.execute(_ADD, [dict(row) for row in rows])


def record_opened(conn: Connection, opened: Sequence[tuple[str, str]], at: datetime) -> None:
    """Adds that these cases were opened: the cause of each, and what it said then. They are in the table already."""
    if opened:
        conn.execute(_BY_CAUSE, [{"event_cause": cause, "event_at": at, "event_said": said} for cause, said in opened])
