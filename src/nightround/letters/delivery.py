"""Sends what waits in the letter box: claim, carry, settle. A letter is settled only after the server has answered.

A few connections (lanes) carry letters, each claiming a batch at a time. What a dead process held is claimed by the
next one when its lease ends, with the same Message-ID: rather a second letter than none.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from ..bootstrap import Program
from ..settings import Settings
from . import box, smtp
from .answers import Answer, Stage, Verdict, judge, outcome, put_back
from .box import Claimed, Outcome
from .hold import Hold
from .withdrawing import withdraw_closed

logger = logging.getLogger("nightround.letters.delivery")

GRACE_SECONDS = 6.0  # for the letter in hand, once we are asked to stop
BARREN = 3  # connections in a row that ended without taking a letter: the server is not well

Progress = Callable[[int, int | None], None]


class Stop(Protocol):
    """What says whether the end was asked for: a `threading.Event`, or anything with its `is_set`."""

    def is_set(self) -> bool: ...


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
    stop: Stop | None = None,
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
        watch = asyncio.create_task(_watch(stop, asked)) if stop is not None else None
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
    await asyncio.to_thread(withdraw_closed, program)
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


async def _watch(stop: Stop, asked: asyncio.Event) -> None:
    while not stop.is_set():
        await asyncio.sleep(0.05)
    asked.set()


class _Delivery:
    """One delivery, from the first claim to the last settling."""

    def __init__(
        self, program: Program, to: smtp.Way, stop: asyncio.Event, only: int | None, progress: Progress | None
    ) -> None:
        self._program = program
        self._mail = program.settings.mail
        self._to = to
        self._stop = stop
        self._only = only
        self._progress = progress
        self._total: int | None = None
        self._hold = Hold(program, self._settled)
        self._opened = asyncio.Event()  # the first lane has found the way, or its end
        self._reached = False  # the server has taken a connection of ours
        self._left = False  # a following lane has left letters to the first one
        self._lines: set[smtp.Line] = set()
        self._trouble = ""
        self._sent = 0
        self._given_up: list[int] = []

    async def run(self) -> Delivered:
        try:
            try:
                await self._carry_and_settle()
            except BaseExceptionGroup as group:
                raise group.exceptions[0] from None
            await self._hold.release()
            return Delivered(self._sent, await self._hold.waiting(), tuple(self._given_up), self._trouble)
        finally:
            self._hold.let_go()

    async def _carry_and_settle(self) -> None:
        if self._progress is not None:
            self._total = await self._hold.waiting()
        async with asyncio.TaskGroup() as tasks:
            settler = tasks.create_task(self._hold.settle())
            helpers = [tasks.create_task(self._hold.renew()), tasks.create_task(self._hurry_when_stopped())]
            try:
                await self._carry_all()
            finally:
                self._hold.finish()
                await settler
                for task in helpers:
                    task.cancel()

    async def _carry_all(self) -> None:
        """The first lane finds the way; the others follow once it is open, and leave what they cannot carry to it."""
        count = 1 if self._only is not None else self._mail.lanes
        others = [asyncio.create_task(self._lane(leads=False)) for _ in range(count - 1)]
        try:
            await self._lane(leads=True)
            self._opened.set()
            await asyncio.gather(*others)
            if self._left:
                await self._hold.written()
                await self._lane(leads=True)
        finally:
            for lane in others:
                lane.cancel()

    async def _lane(self, *, leads: bool) -> None:
        """Claims and carries batch after batch until nothing is due."""
        if not leads:
            await self._opened.wait()
            if not self._reached:
                return
        barren = 0
        while not self._ending():
            letters = deque(await self._hold.claim(self._mail.batch, self._only))
            if not letters:
                return
            while letters and not self._ending():  # a connection that breaks is made anew
                try:
                    line = await self._open()
                except smtp.Trouble as trouble:
                    if leads:
                        self._give_in(trouble.answer, letters)
                    self._left = self._left or not leads
                    self._put_back(letters)
                    return
                if line is None:
                    break
                try:
                    taken = await self._carry(line, letters)
                except BaseException:
                    line.drop()
                    raise
                barren = 0 if taken or line.alive else barren + 1
                await line.close(0.5 if self._ending() else smtp.QUIT)
                self._lines.discard(line)
                if barren == BARREN:
                    why = "it ends every connection without taking a letter"
                    self._give_in(Answer(Stage.CONNECT, None, why), letters)
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
        """Carries letters until there are none, the connection ends, or something stands in the way of all.

        Says how many were accepted.
        """
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

    def _ending(self) -> bool:
        return self._stop.is_set() or bool(self._trouble)

    async def _hurry_when_stopped(self) -> None:
        await self._stop.wait()
        for line in self._lines:
            line.hurry(GRACE_SECONDS)

    def _finish(self, letter: Claimed, answer: Answer, verdict: Verdict) -> None:
        """Hands in what became of one letter, with a line of log."""
        became = outcome(self._mail, letter, answer, verdict, self._program.clock())
        said: dict[str, object] = {"letter": letter.id, "key": letter.key, "tries": became.tries}
        if became.state == "sent":
            self._sent += 1
            logger.info("letter sent", extra=said)
        elif became.state == "given up":
            self._given_up.append(letter.id)
            logger.error("letter given up", extra={**said, "answer": became.answer})
        elif verdict == Verdict.LATER:
            logger.warning("letter put off", extra={**said, "answer": became.answer, "until": became.next_try_at})
        self._hold.hand_in(became)

    def _give_in(self, answer: Answer, letters: deque[Claimed]) -> None:
        """No letter can go: these wait, with the reason, unless their time is over."""
        self._trouble = _explained(self._to, answer)
        logger.error("mail server cannot be used", extra={"stage": str(answer.stage), "answer": self._trouble})
        while letters:
            self._finish(letters.popleft(), answer, Verdict.OPERATORS)

    def _put_back(self, letters: deque[Claimed]) -> None:
        while letters:
            self._hold.hand_in(put_back(letters.popleft()))

    def _settled(self, _outcomes: list[Outcome]) -> None:
        if self._progress is not None:
            self._progress(self._sent + len(self._given_up), self._total)


_CURES = {
    Stage.CONNECT: "check mail.host and mail.port, and that the server runs",
    Stage.GREETING: "it turns this machine away; ask whoever runs it",
    Stage.TLS: "check mail.security and mail.ca_file; nothing was sent in clear",
    Stage.LOGIN: "check mail.username and mail.password_file",
    Stage.MAIL: "check mail.sender, and whether the server asks for a login",
}


def _explained(to: smtp.Way, answer: Answer) -> str:
    cure = _CURES.get(answer.stage, "ask whoever runs it")
    return f"the mail server {to.host}:{to.port} cannot be used ({answer.sentence()}); {cure}"
