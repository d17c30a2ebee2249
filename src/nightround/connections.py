"""The web server's connections: never so many that none is left for the database and mail, and none that only waits.

uvicorn counts requests, not connections, and sets no time for the head of a request: whoever opens connections and says
nothing would take every descriptor of the process, and letters would stop.
"""

from __future__ import annotations

import asyncio
import logging
import resource
from collections.abc import Callable
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

logger = logging.getLogger("nightround.web")

# Descriptors for database files (15 connections of three files each), mail, the log, and what is being accepted.
RESERVED = 128
FEWEST = 8
ACCEPTED_AT_ONCE = 16  # before the first of them is counted
HEAD_SECONDS = 10.0  # for the head of a request, from the connection or from the answer before it
BODY_SECONDS = 60.0  # for all of its body
TAKE_SECONDS = 60.0  # for the reader to take what waits to be sent
IDLE_SECONDS = 5  # between an answer and the first octet of the next request
SAID_AGAIN = 60.0  # seconds; what happens often is logged that often, with how often it did


class Seldom:
    """Logs what may happen a thousand times a second once a minute, with the number. `steady`: seconds."""

    def __init__(self, steady: Callable[[], float]) -> None:
        self._steady = steady
        self._said: dict[str, float] = {}
        self._since: dict[str, int] = {}

    def __call__(self, what: str) -> None:
        count = self._since[what] = self._since.get(what, 0) + 1
        now, last = self._steady(), self._said.get(what)
        if last is None or now - last >= SAID_AGAIN:
            logger.warning(what, extra={"count": count})
            self._said[what], self._since[what] = now, 0


def most_connections(wanted: int) -> int:
    """How many may be open at once: what is wanted, or what the limit of open files leaves."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return wanted if soft == resource.RLIM_INFINITY else max(FEWEST, min(wanted, soft - RESERVED))


def config(app: Any, wanted: int, steady: Callable[[], float]) -> uvicorn.Config:
    """How the web server is run: with so many connections at once, each with a time for all that it waits for."""
    most, seldom = most_connections(wanted), Seldom(steady)
    if most < wanted:
        logger.warning("fewer connections than web.connections: raise the limit of open files", extra={"most": most})

    class Bounded(BoundedConnection):
        """With the numbers of this server."""

        MOST = most
        SELDOM = seldom

    return uvicorn.Config(
        app,
        http=Bounded,
        ws="none",
        backlog=ACCEPTED_AT_ONCE,
        timeout_keep_alive=IDLE_SECONDS,
        log_config=None,
        access_log=False,
        lifespan="off",
        timeout_graceful_shutdown=3,
        server_header=False,
        date_header=False,  # the application says it, by its own clock (`pages.access`)
        # Whom we believe about where a request comes from is a setting of ours (`pages.whence`).
        proxy_headers=False,
    )


def quieten(loop: asyncio.AbstractEventLoop) -> None:
    """Says once a minute, and not every second, that no descriptor is left to accept a connection."""
    seldom = Seldom(loop.time)

    def handle(its_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        if "accept() out of system resource" in context.get("message", ""):
            seldom("no connection can be accepted: too many open files")
        else:
            its_loop.default_exception_handler(context)

    loop.set_exception_handler(handle)


class BoundedConnection(H11Protocol):
    """One connection. It is closed where there are too many, and where what is waited for does not come in time."""

    MOST = 0
    SELDOM: Seldom

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.logger = _Unwearied(self.logger, self.SELDOM)  # type: ignore[assignment]
        self._refused = False
        self._awaited = ""
        self._timer: asyncio.TimerHandle | None = None
        self._taking: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """See the class."""
        if len(self.connections) >= self.MOST:
            self._refused = True
            self.SELDOM("connections refused: too many are open")
            transport.abort()
            return
        super().connection_made(transport)
        self._look()

    def data_received(self, data: bytes) -> None:
        """See the class."""
        if not self._refused:
            super().data_received(data)
            self._look()

    def on_response_complete(self) -> None:
        """See the class."""
        super().on_response_complete()
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """See the class."""
        for timer in (self._timer, self._taking):
            if timer is not None:
                timer.cancel()
        if not self._refused:
            super().connection_lost(exc)

    def pause_writing(self) -> None:
        """The reader does not take what is sent as fast as it comes."""
        super().pause_writing()
        self._taking = self.loop.call_later(TAKE_SECONDS, self._end, "answers that nobody took")

    def resume_writing(self) -> None:
        """The reader has taken it."""
        super().resume_writing()
        if self._taking is not None:
            self._taking.cancel()
            self._taking = None

    def _look(self) -> None:
        """Sets the time for what is waited for now, where it is something else than before."""
        if self.cycle is None or self.cycle.response_complete:
            awaited, seconds = "head", HEAD_SECONDS
        elif self.cycle.more_body:
            awaited, seconds = "body", BODY_SECONDS
        else:
            awaited, seconds = "", 0.0
        if awaited == self._awaited:
            return
        self._awaited = awaited
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if awaited:
            self._timer = self.loop.call_later(seconds, self._end, "requests that did not come in time")

    def _end(self, why: str) -> None:
        if not self.transport.is_closing():
            self.SELDOM(f"connections ended: {why}")
            self.transport.abort()


class _Unwearied(logging.LoggerAdapter[logging.Logger]):
    """Hands warnings about single connections on once a minute."""

    def __init__(self, inner: logging.Logger, seldom: Seldom) -> None:
        super().__init__(inner, {})
        self._seldom = seldom

    @property
    def level(self) -> int:
        """As the logger's."""
        return self.logger.level

    def warning(self, msg: object, *args: Any, **named: Any) -> None:
        """Once a minute, with the number."""
        self._seldom(str(msg))
