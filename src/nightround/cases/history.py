"""What became of a case, read in order. It is written by `rounds.events`, and nothing in it is ever changed."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from ..store.tables import case_events, people


class Happened(NamedTuple):
    """One event: what happened, whose doing it was ("": the program's own), and what was said."""

    at: datetime
    what: str
    by: str
    by_name: str
    said: str

    def as_dict(self) -> dict[str, Any]:
        return {"at": self.at, "what": self.what, "by": self.by, "said": self.said}


def history(conn: Connection, case_id: int) -> list[Happened]:
    """Everything that became of the case, in order."""
    query = (
        select(case_events.c.at, case_events.c.what, case_events.c.by, people.c.name, case_events.c.said)
        .outerjoin(people, people.c.person == case_events.c.by)
        .where(case_events.c.case_id == case_id)
        .order_by(case_events.c.at, case_events.c.id)
    )
    return [Happened(row.at, row.what, row.by, row.name or row.by, row.said) for row in conn.execute(query)]
