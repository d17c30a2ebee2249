"""The service: a tick that asks the database what is owed, the letter box, and the web, until it is told to stop.

What is owed is decided by the ledger, one row a zone and civil date, and never by a timer: a cron trigger would skip a
whole night after the spring change of the clock and run twice in autumn. When to look is counted by a clock that nobody
can set; the scheduler runs each look as soon as it is told, and never two. Any number of these services on one database
is harmless: rounds and letters are claimed by rows with leases.
"""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime

import uvicorn
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from .bootstrap import Program
from .connections import config, quieten
from .errors import UserError
from .pages.app import build
from .rounds.looks import Looks
from .rounds.pulse import Pulse
from .rounds.tonight import Stopped
from .sending import Sending
from .sweeping import look_round, speak_up, tidy

logger = logging.getLogger("nightround.daemon")

STOP_SECONDS = 10


class Service:
    """One running service. `ready` is set once the web answers and the first tick has been made."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self._stop = asyncio.Event()
        self._busy = asyncio.Lock()
        self._pulse = Pulse()
        self._looks = Looks()
        self._sending = Sending(program, self._stop, self._looks.failed)
        self._logged: dict[str, datetime] = {}
        self.ready = asyncio.Event()
        self.address: tuple[str, int] | None = None
        self.cut_off = False  # whether something was still at work when its time to end was over

    def stop(self) -> None:
        """Asks for the end: the message in hand is finished, then all of it stops."""
        logger.info("stopping")
        self._stop.set()

    async def tick(self) -> None:
        """Everything that may be owed: rounds, then letters, then their sending. Never two at once."""
        if self._busy.locked():
            logger.info("tick passed over, the one before is still at work")
            return
        async with self._busy:
            with self._looks.look():
                await self._tick()

    async def _tick(self) -> None:
        try:
            await asyncio.to_thread(look_round, self._program, self._stop.is_set, self._pulse)
        except Stopped:
            return
        except Exception:
            # The next tick finds the same work owed again; the log and /readyz show that it was not done.
            self._looks.failed()
            logger.exception("tick failed")
        if self._stop.is_set():
            return
        await self._sending.send()
        self._pulse.note_full(self._program)
        try:
            await asyncio.to_thread(tidy, self._program)
        except Exception:
            self._looks.failed()
            logger.exception("what is over was not put away")
        try:
            await asyncio.to_thread(speak_up, self._program, self._logged)
        except Exception:
            self._looks.failed()
            logger.exception("troubles not looked at")

    async def sent(self) -> None:
        """Waits for every delivery that is still at work."""
        await self._sending.ended()

    async def run(self) -> None:
        """Runs until stopped. Raises UserError where the address is taken."""
        listening = _listen(self._program.settings.web.bind)
        self.address = listening.getsockname()[:2]
        loop = asyncio.get_running_loop()
        quieten(loop)
        app = build(self._program, looks=self._looks)
        server = _Server(config(app, self._program.settings.web.connections, loop.time))
        scheduler = AsyncIOScheduler(timezone="UTC")
        web = asyncio.create_task(server.serve(sockets=[listening]))
        scheduler.start()
        logger.info("serving", extra={"address": "{}:{}".format(*self.address)})
        looking = asyncio.create_task(self._look_again_and_again(scheduler))
        self.ready.set()
        await self._stop.wait()
        server.should_exit = True
        # The tick in hand ends its batch and its message; what it has not begun is owed again after the next start.
        try:
            async with asyncio.timeout(STOP_SECONDS - 2):
                await web
                await looking
                async with self._busy:
                    pass
                await self.sent()
        except TimeoutError:
            self.cut_off = True
            logger.error("something did not end in its time and is cut off; what it was at is owed again")
        scheduler.shutdown(wait=False)
        logger.info("stopped")

    async def _look_again_and_again(self, scheduler: AsyncIOScheduler) -> None:
        """Owes a tick every so many seconds, until told to stop.

        The scheduler by itself would wait for a time of day, and stand still for as long as the clock was set back.
        """
        while not self._stop.is_set():
            # Without a trigger it runs now. One that is still at work is left to it, and this one is passed over.
            scheduler.add_job(
                self.tick, id="tick", replace_existing=True, misfire_grace_time=None, coalesce=True, max_instances=1
            )
            with suppress(TimeoutError):
                async with asyncio.timeout(self._program.settings.rounds.tick_seconds):
                    await self._stop.wait()


class _Server(uvicorn.Server):
    """A web server that leaves signals to the service."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _listen(bind: str) -> socket.socket:
    """The listening socket; raises UserError where the address is no address or is taken."""
    host, port = _address(bind)
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        why = error.strerror or str(error)
        raise UserError(f"web.bind: {bind} cannot be listened on ({why}); stop what uses it or set another") from None


def _address(bind: str) -> tuple[str, int]:
    host, _, port = bind.rpartition(":")
    if not host or not port.isdigit() or not 0 <= int(port) <= 65535:
        raise UserError(f"web.bind: {bind!r} is not an address; write it as 127.0.0.1:8470")
    return host.strip("[]"), int(port)


def serve(program: Program, started: Callable[[], None] | None = None) -> None:
    """Runs the service until SIGTERM or SIGINT."""

    async def main() -> None:
        service = Service(program)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, service.stop)
        if started is not None:
            asyncio.get_running_loop().create_task(_when(service.ready, started))
        await service.run()
        if service.cut_off:
            # A thread that hangs cannot be ended, and the interpreter would wait for it for ever.
            logging.shutdown()
            os._exit(1)

    asyncio.run(main())


async def _when(ready: asyncio.Event, started: Callable[[], None]) -> None:
    await ready.wait()
    started()
