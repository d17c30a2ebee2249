"""Sends what waits in the letter box: claim, carry, settle. A letter is settled only after the server has answered.

A few connections (lanes) carry letters from one heap, so that a letter on which the server hangs holds up nothing but
itself. What a dead process held is claimed by the next one when its lease ends, with the same Message-ID: rather a
second letter than none.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Protocol

from ..bootstrap import Program
from ..settings import Settings
from . import box, smtp
from .answers import Answer, Stage, Verdict, judge, outcome, put_back
from .box import Claimed, Outcome
from .hold import Hold
from .smtp import GREETING
from .withdrawing import withdraw_closed

logger = logging.getLogger("nightround.letters.delivery")

GRACE_SECONDS = 6.0  # for the letter in hand, once we are asked to stop
BARREN = 3  # connections in a row that ended without taking a letter: the server is not well
FOLLOW = GREETING / 60  # seconds, scaled, in which the first connection should be open; then others are tried too

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
        self._opening = 0  # connections on their way
        self._left = False  # a lane has put letters back that another is to carry
        self._lines: set[smtp.Line] = set()
        self._heap: deque[Claimed] = deque()  # claimed, and in no lane's hands yet
        self._heaping = asyncio.Lock()
        self._over = asyncio.Event()  # there is trouble
        self._trouble = ""
        self._sent = 0
        self._given_up: list[int] = []

    async def run(self) -> Delivered:
        try:
            await self._hold.catch_up()
            try:
                await self._carry_and_settle()
            except BaseExceptionGroup as group:
                raise group.exceptions[0] from None
            await self._hold.release()
            if self._reached or self._trouble:
                await self._hold.note(sent=self._sent, reached=self._reached, trouble=self._trouble)
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
        """The first lane finds the way; the others follow once it is open, or when that takes long."""
        count = 1 if self._only is not None else self._mail.lanes
        lanes = [asyncio.create_task(self._lane(leads=number == 0)) for number in range(count)]
        try:
            await asyncio.gather(*lanes)
            if self._left and not self._ending():
                await self._lane(leads=True)
        finally:
            for lane in lanes:
                lane.cancel()
            self._put_back()

    async def _lane(self, *, leads: bool) -> None:
        """Opens a connection and carries what is on the heap, until nothing is due."""
        if not leads and not await self._way_found():
            return
        try:
            barren, sent = 0, self._sent
            while not self._ending() and await self._some():
                line = await self._open()  # a connection that breaks is made anew
                if line is None:
                    return
                try:
                    last = await self._carry(line)
                    broken = not line.alive
                    await line.close(0.5 if self._ending() else smtp.QUIT)
                finally:
                    line.drop()
                    self._lines.discard(line)
                barren, sent = barren + 1 if broken and self._sent == sent else 0, self._sent
                if barren == BARREN and last is not None:
                    self._give_in(replace(last, text=f"{last.text}; {BARREN} connections in a row took no letter"))
        finally:
            if leads:
                self._opened.set()

    async def _way_found(self) -> bool:
        """Waits for the first lane, but not for long where it hangs; whether to try it too."""
        with suppress(TimeoutError):
            async with asyncio.timeout(FOLLOW * self._mail.timeout_scale):
                await self._opened.wait()
                return self._reached
        return True

    async def _some(self) -> bool:
        """Whether there is a letter on the heap, after claiming more where there was none."""
        async with self._heaping:
            if not self._heap and not self._ending():
                if self._left:
                    self._left = False
                    await self._hold.written()
                self._heap.extend(await self._hold.claim(self._mail.batch, self._only))
        return bool(self._heap)

    async def _open(self) -> smtp.Line | None:
        """An open line; None where the end has come meanwhile, or others carry on without one."""
        self._opening += 1
        opening = asyncio.ensure_future(smtp.open_line(self._to))
        ends = [asyncio.ensure_future(event.wait()) for event in (self._stop, self._over)]
        try:
            await asyncio.wait((opening, *ends), return_when=asyncio.FIRST_COMPLETED)
            if not opening.done():
                return None
            line = await opening
        except smtp.Trouble as trouble:
            if self._opening > 1 or self._lines:
                # A server may want no more connections than it has: those carry what is left, in their own time.
                self._left = True
                self._put_back()
            else:
                self._give_in(trouble.answer)
            return None
        finally:
            self._opening -= 1
            for end in ends:
                end.cancel()
            if not opening.done():
                opening.cancel()
                with suppress(asyncio.CancelledError, smtp.Trouble):
                    await opening
        self._lines.add(line)
        self._reached = True
        self._opened.set()
        return line

    async def _carry(self, line: smtp.Line) -> Answer | None:
        """Carries letters until there are none, the connection has had its share or ends, or something stands in the
        way of all. Gives the last answer."""
        answer = None
        while line.alive and line.carried < self._mail.batch and not self._ending() and await self._some():
            if not line.alive:
                break
            letter = self._heap.popleft()
            fresh = line.carried == 0
            answer = await line.send(letter.to_address, letter.body)
            verdict = judge(answer, fresh=fresh)
            if verdict == Verdict.NOT_TRIED:
                self._heap.appendleft(letter)
            elif verdict == Verdict.OPERATORS:
                self._heap.appendleft(letter)
                self._give_in(answer)
            else:
                self._finish(letter, answer, verdict)
        return answer

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

    def _give_in(self, answer: Answer) -> None:
        """No letter can go: what is on the heap waits, with the reason, unless its time is over."""
        self._trouble = _explained(self._to, answer)
        self._over.set()
        logger.error("mail server cannot be used", extra={"stage": str(answer.stage), "answer": self._trouble})
        while self._heap:
            self._finish(self._heap.popleft(), answer, Verdict.OPERATORS)

    def _put_back(self) -> None:
        while self._heap:
            self._hold.hand_in(put_back(self._heap.popleft()))

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
    if answer.code is None and answer.stage not in (Stage.CONNECT, Stage.TLS, Stage.LOGIN):
        cure = "the letters are tried again by themselves; if it stays so, check mail.port and ask whoever runs it"
    return f"the mail server {to.host}:{to.port} cannot be used ({answer.sentence()}); {cure}"
