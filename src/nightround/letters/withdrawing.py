"""Takes back letters that no longer hold: escalations still in the letter box whose cases are all closed.

Such a letter is removed together with its tellings, as if it had never been written; whoever should have got it is
not told that the case is closed either. Letters that somebody is carrying just now are left alone.
"""

from __future__ import annotations

import logging

from sqlalchemy import delete, select

from ..bootstrap import Program
from ..rounds import events
from ..store.tables import cases, messages, tellings

logger = logging.getLogger("nightround.letters.withdrawing")


_about_open = (
    select(tellings.c.id)
    .join(cases, cases.c.id == tellings.c.case_id)
    .where(tellings.c.message_id == messages.c.id, cases.c.closed_at.is_(None))
    .exists()
)
_about_any = select(tellings.c.id).where(tellings.c.message_id == messages.c.id).exists()
_STALE = select(messages.c.id).where(
    messages.c.kind == "escalation", messages.c.state == "waiting", _about_any, ~_about_open
)
_ANY_STALE = _STALE.limit(1)
_STALE_LOCKED = _STALE.with_for_update()


def withdraw_closed(program: Program) -> int:
    """Removes them and says how many there were."""
    with program.store.read() as conn:
        if conn.execute(_ANY_STALE).first() is None:
            return 0
    with program.store.write() as conn:
        # Locked, so that no delivery claims a letter between the look and the removal.
        found = list(conn.execute(_STALE_LOCKED).scalars())
        if found:
            now = program.clock()
            told = conn.execute(
                select(tellings.c.case_id, tellings.c.mailbox).where(tellings.c.message_id.in_(found))
            ).all()
            said = "the letter to {} had not gone yet"
            events.record_all(
                conn, [events.event(case_id, now, events.TAKEN_BACK, said=said.format(box)) for case_id, box in told]
            )
            conn.execute(delete(tellings).where(tellings.c.message_id.in_(found)))
            conn.execute(delete(messages).where(messages.c.id.in_(found), messages.c.state == "waiting"))
    for message_id in found:
        logger.info("letter taken back: its cases were closed before it went", extra={"letter": message_id})
    return len(found)
