"""Letters that the mail server has not taken so far: for whom, why in its own words, and when they are tried again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, bindparam, func, select

from ..settings import Settings
from ..store.tables import messages, people
from .answers import give_up_at


@dataclass(frozen=True, slots=True)
class PutOff:
    """One such letter. `person` is the code of its reader, "" for an address that is nobody's on record; instants in
    UTC. `tries` counts those that failed; it is 0 where no server could be used at all."""

    key: str
    to: str
    person: str
    name: str
    urgent: bool
    tries: int
    answer: str
    failing_since: datetime | None
    next_try_at: datetime
    given_up_at: datetime

    @property
    def called(self) -> str:
        """Who waits for it."""
        return f"{self.name} ({self.person})" if self.name else self.person or self.to

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self)


def put_off(conn: Connection, settings: Settings) -> list[PutOff]:
    """All that wait after a failure, the urgent ones first, then those that have waited longest."""
    return [
        PutOff(
            row.key,
            row.to_address,
            row.person or "",
            row.name or "",
            row.urgent,
            row.tries,
            row.last_answer,
            row.failing_since,
            row.next_try_at,
            give_up_at(settings.mail, urgent=row.urgent, created_at=row.created_at),
        )
        for row in conn.execute(_PUT_OFF)
    ]


_UNSENT = messages.c.state.in_(("waiting", "sending"))
_PUT_OFF = (
    select(messages, people.c.person, people.c.name)
    .outerjoin(people, people.c.id == messages.c.person_id)
    .where(_UNSENT, messages.c.last_answer != "")
    .order_by(messages.c.urgent.desc(), messages.c.failing_since, messages.c.id)
)


def not_arriving(conn: Connection, mailboxes: Iterable[str]) -> frozenset[str]:
    """Those of the mailboxes with a letter that waits after a failure, or whose newest letter to come to its end was
    given up: what is written to them now is not known to arrive."""
    asked = sorted(set(mailboxes))
    if not asked:
        return frozenset()
    found = set(conn.execute(_FAILING, {"b_mailboxes": asked}).scalars())
    # Few are ever given up, and the index finds them; only about those mailboxes anything more is asked.
    for mailbox in conn.execute(_GIVEN_UP, {"b_mailboxes": asked}).scalars().all():
        if conn.execute(_LAST, {"b_mailbox": mailbox}).scalar_one() == "given up":
            found.add(mailbox)
    return frozenset(found)


_MAILBOX = func.lower(messages.c.to_address)
_ASKED = _MAILBOX.in_(bindparam("b_mailboxes", expanding=True))
_FAILING = select(_MAILBOX).where(_UNSENT, messages.c.failing_since.is_not(None), _ASKED).distinct()
_GIVEN_UP = select(_MAILBOX).where(messages.c.state == "given up", _ASKED).distinct()
_LAST = (
    select(messages.c.state)
    .where(bindparam("b_mailbox") == _MAILBOX, messages.c.state.in_(("sent", "given up")))
    .order_by(messages.c.id.desc())
    .limit(1)
)
