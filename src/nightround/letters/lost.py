"""What follows from letters that were given up, written down with them: the cases they told of say that they did not
arrive, and the case of whoever cannot be reached is opened."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, bindparam, select

from ..cases import fleetwide
from ..rounds import events
from ..store.tables import messages, people, tellings


def follow_up(conn: Connection, message_ids: Sequence[int], now: datetime, zone: str) -> None:
    """Writes it in the caller's unit of work; `zone` is the fleet's own."""
    events.record_all(
        conn,
        [
            events.event(
                row.case_id,
                now,
                events.NOT_REACHED,
                said=f"{row.name or row.person or row.to_address}: {row.last_answer}",
            )
            for row in conn.execute(_TOLD, {"b_ids": message_ids})
        ],
    )
    fleetwide.look_in(conn, now, zone)


_TOLD = (
    select(tellings.c.case_id, people.c.name, people.c.person, messages.c.to_address, messages.c.last_answer)
    .select_from(
        tellings.join(messages, messages.c.id == tellings.c.message_id).outerjoin(
            people, people.c.id == messages.c.person_id
        )
    )
    .where(messages.c.id.in_(bindparam("b_ids", expanding=True)), messages.c.state == "given up")
    .order_by(tellings.c.case_id, messages.c.id)
)
