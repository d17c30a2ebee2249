"""The letter box: every message is stored before it is sent, and is sent, given up or still waiting afterwards.

States: waiting → sending (held under a lease) → sent | given up. There is no fourth, and nothing is deleted here.
"""

from __future__ import annotations

from sqlalchemy import Connection
from sqlalchemy.dialects import postgresql, sqlite

from ..store.tables import messages
from .compose import Letter


def post(conn: Connection, letter: Letter) -> int | None:
    """Stores a letter and gives its id; None where the letter box already holds one with its key."""
    insert = postgresql.insert if conn.dialect.name == "postgresql" else sqlite.insert
    statement = (
        insert(messages)
        .values(
            key=letter.key,
            kind=letter.kind,
            person_id=letter.person_id,
            to_address=letter.to_address,
            subject=letter.subject,
            message_id=letter.message_id,
            body=letter.body,
            urgent=letter.urgent,
            created_at=letter.created_at,
            state="waiting",
            next_try_at=letter.created_at,
        )
        .on_conflict_do_nothing()
        .returning(messages.c.id)
    )
    found = conn.execute(statement).first()
    return None if found is None else int(found.id)
