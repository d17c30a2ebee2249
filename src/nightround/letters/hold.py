"""What one delivery has in hand: claims letters, writes what became of them, and keeps the lease alive meanwhile.

One thread speaks to the database, so that those who carry letters never wait for it, and two of our own transactions
never for each other. Outcomes are written as they gather, twenty times a second at most: that is the time in which a
crash could send a letter twice.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from typing import TypeVar
from weakref import WeakKeyDictionary

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from ..bootstrap import Program
from ..store.database import Store
from . import box, lost, outage
from .box import Claimed, Outcome

logger = logging.getLogger("nightround.letters.hold")

LEASE = timedelta(minutes=2)
RENEW_SECONDS = 30.0
GATHER_SECONDS = 0.05  # between two writings of outcomes; the first goes at once
WRITE_AGAIN = (0.2, 1.0, 3.0)  # seconds between tries to write outcomes

T = TypeVar("T")

# What became of letters and found no room in the database, by store and letter: a full disk must not make the same
# letter go out again at every look.
_UNWRITTEN: WeakKeyDictionary[Store, dict[int, Outcome]] = WeakKeyDictionary()


class Hold:
    """One holder of claims. `settled` is called with outcomes once they are written."""

    def __init__(self, program: Program, settled: Callable[[list[Outcome]], None]) -> None:
        self._program = program
        self._settled = settled
        self._holder = f"{socket.gethostname()[:24]}/{os.getpid()}/{uuid.uuid4().hex[:16]}"
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="letter-box")
        self._claiming = asyncio.Lock()
        self._ahead: asyncio.Task[list[Claimed]] | None = None
        self._finished: list[Outcome] = []
        self._news = asyncio.Event()
        self._quiet = asyncio.Event()
        self._quiet.set()
        self._hurried = asyncio.Event()
        self._over = False
        self._released = False
        self._started = program.clock()

    async def catch_up(self) -> None:
        """Writes what an earlier delivery of this process could not, before any letter could be sent once more; and
        takes back what a clock that was ahead put off.

        Raises OperationalError where the database still takes nothing.
        """
        unwritten = _UNWRITTEN.get(self._program.store)
        if unwritten:
            await self._in_database(lambda conn: self._settle_late(conn, list(unwritten.values())))
            logger.warning("outcomes written late", extra={"letters": sorted(unwritten)})
            del _UNWRITTEN[self._program.store]
        mail = self._program.settings.mail
        longest = timedelta(minutes=max(*mail.retry_minutes, *mail.urgent_retry_minutes))
        now = self._program.clock()
        freed = await self._in_database(lambda conn: box.set_right(conn, now, LEASE, longest))
        if freed:
            logger.warning("letters that a clock which was ahead had put off go now", extra={"count": freed})

    async def claim(self, limit: int, only: int | None = None) -> list[Claimed]:
        """The next letters that are due. What failed since this delivery began is left for the next one.

        The batch after it is claimed meanwhile, so that a lane rarely waits for one.
        """

        def take(conn: Connection) -> list[Claimed]:
            now = self._program.clock()
            return box.claim(conn, self._holder, now, limit, LEASE, again_by=self._started, only=only)

        async with self._claiming:
            letters: list[Claimed] = []
            if self._ahead is not None:
                ahead, self._ahead = self._ahead, None
                letters = await ahead
            if not letters:
                letters = await self._in_database(take)
            if len(letters) == limit:
                self._ahead = asyncio.create_task(self._in_database(take))
            return letters

    async def note(self, *, sent: int, reached: bool, trouble: str) -> None:
        """Writes down how the delivery ended."""
        settings, now = self._program.settings, self._program.clock()
        await self._in_database(
            lambda conn: outage.note(conn, settings, now, sent=sent, reached=reached, trouble=trouble)
        )

    async def waiting(self) -> int:
        """How many letters have not come to their end."""
        return await self._in_database(box.waiting)

    def hand_in(self, outcome: Outcome) -> None:
        """Takes note of what became of a letter; it is written soon."""
        self._finished.append(outcome)
        self._quiet.clear()
        self._news.set()

    async def written(self) -> None:
        """Waits until all that was handed in is written."""
        self._hurried.set()
        await self._quiet.wait()

    async def settle(self) -> None:
        """Writes outcomes as they gather, until `finish` is called and all are written."""
        while not self._over or self._finished:
            await self._news.wait()
            self._news.clear()
            outcomes, self._finished = self._finished, []
            if outcomes:
                try:
                    ours = await self._write(outcomes)
                except OperationalError:
                    unwritten = _UNWRITTEN.setdefault(self._program.store, {})
                    unwritten |= {outcome.id: outcome for outcome in (*outcomes, *self._finished)}
                    logger.error("outcomes not written", extra={"letters": sorted(unwritten)})
                    raise
                if ours < len(outcomes):
                    lost = len(outcomes) - ours
                    logger.error("letters in hand were claimed by somebody else", extra={"count": lost})
                self._settled(outcomes)
                if not self._finished:
                    self._quiet.set()
                await self._gather()

    async def _gather(self) -> None:
        """Gives outcomes time to gather, unless somebody waits for them."""
        if not self._over:
            with suppress(TimeoutError):
                async with asyncio.timeout(GATHER_SECONDS):
                    await self._hurried.wait()
            self._hurried.clear()

    async def renew(self) -> None:
        """Lengthens the lease again and again, until cancelled."""
        while True:
            await asyncio.sleep(RENEW_SECONDS)
            try:
                await self._in_database(lambda conn: box.renew(conn, self._holder, self._program.clock(), LEASE))
            except OperationalError as error:
                # The next time is soon enough: nobody else can claim while the database cannot be had.
                logger.warning("lease not renewed", extra={"why": str(error.orig)})

    def finish(self) -> None:
        """No more outcomes will come."""
        self._over = True
        self._hurried.set()
        self._news.set()

    async def release(self) -> None:
        """Puts back what is still in hand."""
        if self._ahead is not None:
            await self._ahead
        await self._in_database(lambda conn: box.release(conn, self._holder))
        self._released = True

    def let_go(self) -> None:
        """Ends the thread. What is still in hand is put back without waiting; if that fails, the lease ends anyway."""
        if not self._released:
            self._thread.submit(self._unit, lambda conn: box.release(conn, self._holder))
        self._thread.shutdown(wait=False)

    def _settle(self, conn: Connection, outcomes: list[Outcome]) -> int:
        """Writes what became of the letters, and with it what follows where some were given up."""
        ours = box.settle(conn, self._holder, outcomes)
        self._follow_up(conn, outcomes)
        return ours

    def _settle_late(self, conn: Connection, outcomes: list[Outcome]) -> None:
        box.settle_late(conn, outcomes)
        self._follow_up(conn, outcomes)

    def _follow_up(self, conn: Connection, outcomes: list[Outcome]) -> None:
        given_up = [outcome.id for outcome in outcomes if outcome.state == "given up"]
        if given_up:
            lost.follow_up(conn, given_up, self._program.clock(), self._program.settings.fleet.time_zone)

    async def _write(self, outcomes: list[Outcome]) -> int:
        for pause in WRITE_AGAIN:
            try:
                return await self._in_database(lambda conn: self._settle(conn, outcomes))
            except OperationalError as error:
                logger.warning("outcomes not written, once more", extra={"why": str(error.orig)})
                await asyncio.sleep(pause)
        return await self._in_database(lambda conn: self._settle(conn, outcomes))

    async def _in_database(self, work: Callable[[Connection], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._unit, work)

    def _unit(self, work: Callable[[Connection], T]) -> T:
        with self._program.store.write() as conn:
            return work(conn)
