"""Around every answer: the headers that keep a browser strict, and one line of log that holds no secret.

The log names the route's pattern, never the path: calendar keys, personal links and cabinet labels are in paths.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .conditional import write_date

logger = logging.getLogger("nightround.web")

# No script may run, from anywhere; nobody may frame a page or send a form elsewhere.
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)

# `same-origin` and not `no-referrer`: under the latter a browser sends `Origin: null` with our own forms.
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    # What is served may concern people; whoever wants it kept says so (the feed and the stylesheet do).
    "Cache-Control": "no-store",
}


class Access:
    """ASGI middleware: adds the headers that an answer does not set itself, and writes the access log.

    It says Date too (RFC 9110 §6.6.1), by the clock by which everything else is said: the web server's own is renewed
    now and then only, and what an answer says of the time before it must not be later (§8.8.2.1).
    """

    def __init__(self, app: ASGIApp, clock: Callable[[], datetime]) -> None:
        self._app = app
        self._clock = clock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = time.perf_counter()
        status, sent = 500, 0

        async def watched(message: Message) -> None:
            nonlocal status, sent
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers["Date"] = write_date(self._clock())
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            elif message["type"] == "http.response.body":
                sent += len(message.get("body", b""))
            await send(message)

        try:
            await self._app(scope, receive, watched)
        finally:
            logger.info(
                "request",
                extra={
                    "method": scope["method"],
                    "route": pattern(scope),
                    "status": status,
                    "bytes": sent,
                    "ms": round((time.perf_counter() - started) * 1000, 1),
                },
            )


def pattern(scope: Scope) -> str:
    """The pattern of the route that answered, such as `/calendar/{key}.ics`; `-` where none did."""
    return str(getattr(scope.get("route"), "path", "-"))
