"""A post office on paper: claims and settles letters as delivery does, and carries them nowhere.

What a server would have answered is judged by `letters.answers`, with its retries and its giving up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, select

from .. import addresses
from ..bootstrap import Program
from ..letters import box
from ..letters.answers import Answer, Stage, Verdict, give_up_at, judge, outcome
from ..letters.box import Outcome
from ..letters.hold import LEASE
from ..settings import Settings
from ..store.tables import messages

_HOLDER = "rehearsal"
_UNSENT = select(
    messages.c.state,
    messages.c.urgent,
    messages.c.created_at,
    messages.c.next_try_at,
    messages.c.lease_until,
).where(messages.c.state.in_(("waiting", "sending")))


@dataclass(frozen=True, slots=True)
class Outage:
    """From when until when no server can be reached; `until` is the first instant at which one can."""

    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class Refusal:
    """From when until when letters to one address are refused for good; `until` is exclusive."""

    address: str
    since: datetime
    until: datetime


class Post:
    """The mail server of one rehearsal. It takes every letter, but for what was supposed."""

    def __init__(self, settings: Settings, outages: Sequence[Outage] = (), refusals: Sequence[Refusal] = ()) -> None:
        self._mail = settings.mail
        self._step = timedelta(seconds=settings.rounds.tick_seconds)
        self._outages = outages
        self._refusals = refusals

    def deliver(self, program: Program) -> list[Outcome]:
        """Everything that is due now, once; what became of each letter."""
        now = program.clock()
        done: list[Outcome] = []
        while True:
            with program.store.write() as conn:
                letters = box.claim(conn, _HOLDER, now, self._mail.batch, LEASE, again_by=now)
                if not letters:
                    return done
                outcomes = []
                for letter in letters:
                    answer = self._answer(letter.to_address, now)
                    verdict = judge(answer, fresh=False)
                    outcomes.append(outcome(self._mail, letter, answer, verdict, now))
                box.settle(conn, _HOLDER, outcomes)
            done += outcomes
            if verdict == Verdict.OPERATORS or len(letters) < self._mail.batch:
                return done  # where the server is down, a batch asks and the others wait for it too

    def turns(self, conn: Connection, now: datetime) -> Iterator[datetime]:
        """When letters that wait come to their next turn, after `deliver` at `now`."""
        back = [outage.until for outage in self._outages if outage.since <= now < outage.until]
        for row in conn.execute(_UNSENT):
            if row.state == "sending":
                yield max(row.lease_until or now, now + self._step)
            elif row.next_try_at > now:
                yield row.next_try_at
            else:
                # Asked again at every look, and nothing comes of it before one of these.
                yield max(give_up_at(self._mail, urgent=row.urgent, created_at=row.created_at), now + self._step)
                yield from back

    def _answer(self, to_address: str, now: datetime) -> Answer:
        """What a server would have said."""
        if any(outage.since <= now < outage.until for outage in self._outages):
            return Answer(Stage.CONNECT, None, "supposed to be down")
        read = addresses.read(to_address)
        if read is None:
            why = f"{to_address!r} is not an e-mail address; correct it in the register"
            return Answer(Stage.ADDRESS, None, why)
        for refusal in self._refusals:
            if refusal.since <= now < refusal.until and to_address.lower() == refusal.address.lower():
                return Answer(Stage.RCPT, 550, "supposed to be refused")
        return Answer(Stage.MESSAGE, 250, "taken, on paper")
