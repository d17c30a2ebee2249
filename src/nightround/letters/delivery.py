"""Sends what waits in the letter box: claim, carry, settle. A letter is settled only after the server has answered.

A few connections (lanes) carry letters while one thread speaks to the database, so that neither waits for the other.
What a lane has finished is written as soon as the thread is free, all that has gathered at once; the time in which a
crash could send a letter twice is that of one commit. Leases are renewed while we live; what a dead process held is
claimed by the next one, with the same Message-ID.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import threading
import uuid
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from ..bootstrap import Program
from ..settings import Settings
from . import box, smtp
from .answers import Answer, Stage, Verdict, give_up_at, judge, next_look, next_try
from .box import Claimed, Outcome
from .headers import one_line

logger = logging.getLogger("nightround.letters.delivery")

LEASE = timedelta(minutes=2)
RENEW_SECONDS = 30.0
GRACE_SECONDS = 6.0  # for the letter in hand, once we are asked to stop
BARREN = 3  # connections in a row that ended without taking a letter: the server is not well
SETTLE_AGAIN = (0.2, 1.0, 3.0)  # seconds between tries to write outcomes
ANSWER_LIMIT = 500

Progress = Callable[[int, int | None], None]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Delivered:
    """What a delivery did. `waiting` counts what is left in the letter box, `given_up` lists messages given up now.

    `trouble` says why the server could not be used, with a cure; "" where it could, or nobody had to ask it.
    """

    sent: int
    waiting: int
    given_up: tuple[int, ...] = ()
    trouble: str = ""


def deliver(
    program: Program,
    *,
    stop: threading.Event | None = None,
    everything: bool = False,
    only: int | None = None,
    progress: Progress | None = None,
) -> Delivered:
    """Sends what waits, once, and returns. `stop` ends it after the letter in hand.

    Letters that the server put off wait for their time unless `everything` is asked for; those that waited for the
    server itself go now. `only` sends one message, by its id. Raises UserError where a mail setting is wrong.
    """
    if only is None:
        with program.store.write() as conn:
            box.hasten(conn, program.clock(), failed_too=everything)

    async def run() -> Delivered:
        asked = asyncio.Event()
        watch = None
        if stop is not None:
            watch = asyncio.create_task(_watch(stop, asked))
        try:
            return await deliver_async(program, asked, only=only, progress=progress)
        finally:
            if watch is not None:
                watch.cancel()

    return asyncio.run(run())


async def deliver_async(
    program: Program, stop: asyncio.Event, *, only: int | None = None, progress: Progress | None = None
) -> Delivered:
    """Sends what is due, in a running loop.

    After `stop` is set it returns within about seven seconds, whatever the server does; a letter whose answer did not
    come by then is tried again later.
    """
    to = await asyncio.to_thread(smtp.way, program.settings)
    return await _Delivery(program, to, stop, only, progress).run()


def knock(settings: Settings) -> str:
    """Connects, secures and logs in as for letters, and hangs up; "" if that went well, else why not and the cure."""

    async def run() -> str:
        to = smtp.way(settings)
        try:
            line = await smtp.open_line(to)
        except smtp.Trouble as trouble:
            return _explained(to, trouble.answer)
        await line.close()
        return ""

    return asyncio.run(run())


async def _watch(stop: threading.Event, asked: asyncio.Event) -> None:
    while not stop.is_set():
        await asyncio.sleep(0.05)
    asked.set()


class _Delivery:
    """One delivery: its lanes, and the one thread that speaks to the database for them."""

    def __init__(
        self, program: Program, to: smtp.Way, stop: asyncio.Event, only: int | None, progress: Progress | None
    ) -> None:
        self._program = program
        self._mail = program.settings.mail
        self._to = to
        self._stop = stop
        self._only = only
        self._progress = progress
        self._holder = f"{socket.gethostname()[:24]}/{os.getpid()}/{uuid.uuid4().hex[:16]}"
        self._started = program.clock()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="letter-box")
        self._finished: list[Outcome] = []
        self._news = asyncio.Event()
        self._over = False
        self._opened = asyncio.Event()
        self._lines: set[smtp.Line] = set()
        self._reached = False  # the server has taken a connection of ours
        self._left = False  # letters that a following lane could not carry
        self._trouble = ""
        self._sent = 0
        self._given_up: list[int] = []
        self._total: int | None = None

    # The whole

    async def run(self) -> Delivered:
        try:
            try:
                await self._carry_and_settle()
            except BaseExceptionGroup as group:
                raise group.exceptions[0] from None
            return Delivered(self._sent, await self._in_database(self._end), tuple(self._given_up), self._trouble)
        except BaseException:
            # Cut short: what is still in hand goes back if the database can be had, else when its lease ends.
            self._thread.submit(self._unit, self._end)
            raise
        finally:
            self._thread.shutdown(wait=False)

    async def _carry_and_settle(self) -> None:
        async with asyncio.TaskGroup() as tasks:
            settler = tasks.create_task(self._settle())
            helpers = [tasks.create_task(self._renew()), tasks.create_task(self._hurry_when_stopped())]
            try:
                await self._carry_all()
            finally:
                self._over = True
                self._news.set()
                await settler
                for task in helpers:
                    task.cancel()

    async def _carry_all(self) -> None:
        """The first lane opens the way; the others follow once it is open, and leave what they cannot carry to it."""
        count = 1 if self._only is not None else self._mail.lanes
        others = [asyncio.create_task(self._lane(leads=False)) for _ in range(count - 1)]
        try:
            await self._lane(leads=True)
            self._opened.set()
            await asyncio.gather(*others)
            if self._left:
                await self._lane(leads=True)
        finally:
            for lane in others:
                lane.cancel()

    def _end(self, conn: Connection) -> int:
        box.release(conn, self._holder)
        return box.waiting(conn)

    def _ending(self) -> bool:
        return self._stop.is_set() or bool(self._trouble)

    # Lanes

    async def _lane(self, *, leads: bool) -> None:
        if not leads:
            await self._opened.wait()
            if not self._reached:
                return
        barren = 0
        while not self._ending():
            letters = deque(await self._claim())
            if not letters:
                return
            for _ in range(2):  # a connection that breaks is made anew once a batch
                try:
                    line = await self._open()
                except smtp.Trouble as trouble:
                    if leads:
                        self._give_in(trouble.answer, letters)
                    else:
                        self._left = True
                        self._put_back(letters)
                    return
                if line is None:
                    break
                taken = await self._carry(line, letters)
                barren = 0 if taken or line.alive else barren + 1
                await line.close(0.5 if self._ending() else smtp.QUIT)
                self._lines.discard(line)
                if barren == BARREN:
                    why = "it ends every connection without taking a letter"
                    self._give_in(Answer(Stage.CONNECT, None, why), letters)
                if not letters or self._ending():
                    break
            self._put_back(letters)

    async def _open(self) -> smtp.Line | None:
        """An open line; None where we are asked to stop meanwhile."""
        opening = asyncio.ensure_future(smtp.open_line(self._to))
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            await asyncio.wait((opening, stopping), return_when=asyncio.FIRST_COMPLETED)
            if not opening.done():
                return None
            line = await opening
        finally:
            stopping.cancel()
            if not opening.done():
                opening.cancel()
                with suppress(asyncio.CancelledError, smtp.Trouble):
                    await opening
        self._lines.add(line)
        self._reached = True
        self._opened.set()
        return line

    async def _carry(self, line: smtp.Line, letters: deque[Claimed]) -> int:
        """Carries letters until there are none, the connection ends, or something stands in the way of all. Says how
        many were accepted."""
        accepted = 0
        while letters and line.alive and not self._ending():
            letter = letters.popleft()
            fresh = line.carried == 0
            answer = await line.send(letter.to_address, letter.body)
            verdict = judge(answer, fresh=fresh)
            if verdict == Verdict.NOT_TRIED:
                letters.appendleft(letter)
            elif verdict == Verdict.OPERATORS:
                letters.appendleft(letter)
                self._give_in(answer, letters)
            else:
                accepted += verdict == Verdict.ACCEPTED
                self._finish(letter, answer, verdict)
        return accepted

    # What becomes of letters

    def _finish(self, letter: Claimed, answer: Answer, verdict: Verdict) -> None:
        now = self._program.clock()
        words = one_line(answer.sentence())[:ANSWER_LIMIT]
        tries = letter.tries + 1
        if verdict == Verdict.ACCEPTED:
            self._sent += 1
            logger.info("letter sent", extra={"letter": letter.id, "key": letter.key, "tries": tries})
            self._hand_in(Outcome(letter.id, "sent", tries, letter.next_try_at, now, words))
            return
        urgent, created_at = letter.urgent, letter.created_at
        if verdict == Verdict.LATER and now < give_up_at(self._mail, urgent=urgent, created_at=created_at):
            due = next_try(self._mail, urgent=urgent, tries=letter.tries, created_at=created_at, now=now)
            logger.warning(
                "letter put off",
                extra={"letter": letter.id, "key": letter.key, "tries": tries, "again_at": due, "answer": words},
            )
            self._hand_in(Outcome(letter.id, "waiting", tries, due, None, words))
            return
        self._give_up(letter, tries, words)

    def _give_in(self, answer: Answer, letters: deque[Claimed]) -> None:
        """No letter can go: they wait, with the reason, unless their time is over."""
        now = self._program.clock()
        self._trouble = _explained(self._to, answer)
        logger.error("mail server cannot be used", extra={"stage": str(answer.stage), "answer": self._trouble})
        words = one_line(answer.sentence())[:ANSWER_LIMIT]
        while letters:
            letter = letters.popleft()
            over = now >= give_up_at(self._mail, urgent=letter.urgent, created_at=letter.created_at)
            # Not on its first trouble: after a long outage of our own the network may be a moment behind us.
            if over and letter.last_answer:
                self._give_up(letter, letter.tries, words)
                continue
            due = next_look(
                self._mail,
                answer,
                urgent=letter.urgent,
                created_at=letter.created_at,
                due=letter.next_try_at,
                now=now,
            )
            self._hand_in(Outcome(letter.id, "waiting", letter.tries, due, None, words))

    def _give_up(self, letter: Claimed, tries: int, words: str) -> None:
        self._given_up.append(letter.id)
        logger.error("letter given up", extra={"letter": letter.id, "key": letter.key, "tries": tries, "answer": words})
        self._hand_in(Outcome(letter.id, "given up", tries, letter.next_try_at, None, words))

    def _put_back(self, letters: deque[Claimed]) -> None:
        """As if they had not been claimed."""
        while letters:
            letter = letters.popleft()
            self._hand_in(Outcome(letter.id, "waiting", letter.tries, letter.next_try_at, None, letter.last_answer))

    def _hand_in(self, outcome: Outcome) -> None:
        self._finished.append(outcome)
        self._news.set()

    # The database

    async def _claim(self) -> list[Claimed]:
        def take(conn: Connection) -> list[Claimed]:
            now = self._program.clock()
            if self._progress is not None and self._total is None:
                self._total = box.waiting(conn)
            return box.claim(conn, self._holder, now, self._mail.batch, LEASE, again_by=self._started, only=self._only)

        return await self._in_database(take)

    async def _settle(self) -> None:
        """Writes outcomes as they gather, until the delivery is over and all are written."""
        while not self._over or self._finished:
            await self._news.wait()
            self._news.clear()
            outcomes, self._finished = self._finished, []
            if not outcomes:
                continue
            ours = await self._write(outcomes)
            if ours < len(outcomes):
                logger.error("somebody else claimed letters that we had in hand", extra={"count": len(outcomes) - ours})
            if self._progress is not None:
                self._progress(self._sent + len(self._given_up), self._total)

    async def _write(self, outcomes: list[Outcome]) -> int:
        for pause in (*SETTLE_AGAIN, None):
            try:
                return await self._in_database(lambda conn: box.settle(conn, self._holder, outcomes))
            except OperationalError as error:
                if pause is None:
                    raise
                logger.warning("outcomes not written, once more", extra={"why": str(error.orig)})
                await asyncio.sleep(pause)
        raise AssertionError("unreachable")

    async def _renew(self) -> None:
        while True:
            await asyncio.sleep(RENEW_SECONDS)
            with suppress(OperationalError):  # the next one is soon enough; a busy database is nobody else's either
                await self._in_database(lambda conn: box.renew(conn, self._holder, self._program.clock(), LEASE))

    async def _in_database(self, work: Callable[[Connection], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._unit, work)

    def _unit(self, work: Callable[[Connection], T]) -> T:
        with self._program.store.write() as conn:
            return work(conn)

    async def _hurry_when_stopped(self) -> None:
        await self._stop.wait()
        for line in self._lines:
            line.hurry(GRACE_SECONDS)


_CURES = {
    Stage.CONNECT: "check mail.host and mail.port, and that the server runs",
    Stage.GREETING: "it turns this machine away; ask whoever runs it",
    Stage.TLS: "check mail.security and mail.ca_file; nothing was sent in clear",
    Stage.LOGIN: "check mail.username and mail.password_file",
    Stage.MAIL: "check mail.sender, and whether the server asks for a login",
}


def _explained(to: smtp.Way, answer: Answer) -> str:
    cure = _CURES.get(answer.stage, "ask whoever runs it")
    return f"the mail server {to.host}:{to.port} cannot be used ({one_line(answer.sentence())[:ANSWER_LIMIT]}); {cure}"
