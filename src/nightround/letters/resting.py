"""Cases of which nothing is owed, as an earlier sweep found: left alone until anything about them is different.

Only where one process has the database alone, as a rehearsal has: elsewhere every sweep looks at every case.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import UTC, datetime
from typing import NamedTuple

from sqlalchemy import Connection

from ..cases.climbing import Open
from ..store.recalling import notes
from .watch import Called

_NEVER = datetime.max.replace(tzinfo=UTC)


class Rest(NamedTuple):
    """What must be the same for a case to be left alone, and until when it is: its next step, or somebody's turn.

    `called` is told from another list by identity: whoever makes them gives the same one for the same people.
    """

    case: Open
    called: list[Called]
    until: datetime


class Resting:
    """The cases at rest in one sweep. `called_for` gives who may be called for a case now."""

    def __init__(self, conn: Connection, called_for: Callable[[Open], list[Called]]) -> None:
        self._rests: dict[int, Rest] | None = notes(conn, "resting")
        self._called_for = called_for
        self._awaited: dict[int, tuple[set[str], Rest]] = {}
        self.until: list[datetime] = []

    def still(self, case: Open, at: datetime) -> bool:
        """Whether the case is at rest at that instant; `until` then says how long, too."""
        rest = None if self._rests is None else self._rests.get(case.id)
        if rest is None or at >= rest.until or case != rest.case or self._called_for(case) is not rest.called:
            return False
        self.until.append(rest.until)
        return True

    def lay(self, case: Open, mailboxes: Collection[str], turns: Collection[datetime]) -> None:
        """The case, as it will stand after this sweep, rests until the first of those turns once these mailboxes have
        been told of it; at once where there are none to tell."""
        if self._rests is None:
            return
        rest = Rest(case, self._called_for(case), min(turns, default=_NEVER))
        if mailboxes:
            self._awaited[case.id] = set(mailboxes), rest
        else:
            self._rests[case.id] = rest

    def told(self, case_id: int, mailbox: str) -> None:
        """A letter to the mailbox that tells of the case is in the letter box."""
        if self._rests is None or case_id not in self._awaited:
            return
        waiting, rest = self._awaited[case_id]
        waiting.discard(mailbox)
        if not waiting:
            self._rests[case_id] = rest
