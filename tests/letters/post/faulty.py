"""A mail server that misbehaves as it is told to: its own bytes on a real socket of the loopback, in its own thread.

It speaks just enough SMTP (RFC 5321) to be spoken to, and writes down what a server must answer for: which letters it
acknowledged with 2yz, and which it kept without saying so. Told to be silent it says nothing until the client hangs up,
so that no test waits for it.
"""

from __future__ import annotations

import asyncio
import re
import ssl
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from email import message_from_bytes
from pathlib import Path
from typing import Literal

DATA = Path(__file__).parent / "data"

Stage = Literal["banner", "EHLO", "STARTTLS", "AUTH", "MAIL", "RCPT", "DATA", "middle", "dot"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One way to misbehave, at one stage.

    `says`: what it answers instead of the usual, in octets without the line's end; None says nothing.
    `then`: "goes on", "hangs up" (at once, without a farewell) or is "silent" until the client gives up.
    `after`: how long it takes to answer. `keeps`: it delivers the letter although it never says so; only at the dot.
    """

    stage: Stage
    says: bytes | None
    then: Literal["goes on", "hangs up", "silent"] = "goes on"
    keeps: bool = False
    after: float = 0.0  # seconds

    @property
    def name(self) -> str:
        said = (self.says or b"nothing").decode("latin-1")[:24]
        return f"{said!r} at {self.stage}, {self.then}{', keeps it' if self.keeps else ''}"


@dataclass
class Kept:
    """What became of letters here, by recipient: Message-IDs in the order in which they came."""

    acknowledged: dict[str, list[str]] = field(default_factory=dict)
    in_silence: dict[str, list[str]] = field(default_factory=dict)

    def all(self) -> list[str]:
        """Every Message-ID that some mailbox now holds, as often as it does."""
        boxes = (*self.acknowledged.values(), *self.in_silence.values())
        return [message_id for box in boxes for message_id in box]


# What it does with the letter to that address when that stage comes; None is as the book says.
Script = Callable[[str, Stage], Fault | None]


class Faulty:
    """Use as a context manager. `script` may be replaced at any time; it is asked anew at each stage.

    At `banner`, `EHLO`, `STARTTLS` and `AUTH` no recipient is known yet, and at `MAIL` neither: they are asked for "".
    """

    def __init__(self, script: Script | None = None, *, starttls: bool = False, login: bool = False) -> None:
        self.script: Script = script or (lambda _to, _stage: None)
        self.kept = Kept()
        self.offered: list[str] = []  # Message-IDs that came whole, final dot and all
        self.in_clear = b""
        self.connections = 0
        self._news = threading.Condition()
        self._login = login  # offered, and anybody is let in
        self._context: ssl.SSLContext | None = None
        if starttls:
            self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._context.load_cert_chain(DATA / "test-only-server.pem")
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True)

    def __enter__(self) -> Faulty:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)

    def until(self, seen: Callable[[], bool]) -> None:
        """Waits until that is so; asked anew whenever a client has said something. Fails after 20 seconds."""
        with self._news:
            assert self._news.wait_for(seen, 20)

    def heard(self) -> None:
        """Wakes whoever waits in `until`."""
        with self._news:
            self._news.notify_all()

    async def _run(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0, limit=2**20)
        self.port: int = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with suppress(ConnectionError, asyncio.IncompleteReadError, ssl.SSLError):
            await _Session(self, reader, writer).run()
        writer.transport.abort()


class _Over(Exception):
    """This session has ended."""


class _Session:
    def __init__(self, server: Faulty, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._server, self._reader, self._writer = server, reader, writer
        self._to = ""
        self._safe = False

    async def run(self) -> None:
        with suppress(_Over):
            await self._answer("banner", b"220 localhost ready")
            while line := await self._line():
                await self._command(line)

    async def _command(self, line: bytes) -> None:
        verb = line.split(b" ")[0].strip().upper()
        if verb == b"EHLO":
            offers = [b"250-localhost", b"250-SIZE 1000000"]
            if self._server._context is not None and not self._safe:
                offers.append(b"250-STARTTLS")
            if self._server._login:
                offers.append(b"250-AUTH PLAIN")
            await self._answer("EHLO", b"\r\n".join([*offers, b"250 8BITMIME"]))
        elif verb == b"STARTTLS":
            if await self._answer("STARTTLS", b"220 go ahead"):
                assert self._server._context is not None
                await self._writer.start_tls(self._server._context)
                self._safe = True
        elif verb == b"AUTH":
            await self._answer("AUTH", b"235 2.7.0 come in")
        elif verb == b"MAIL":
            self._to = ""
            await self._answer("MAIL", b"250 OK")
        elif verb == b"RCPT":
            found = re.search(rb"<(.*)>", line)
            assert found is not None
            self._to = found[1].decode()
            await self._answer("RCPT", b"250 OK")
        elif verb == b"DATA":
            if await self._answer("DATA", b"354 go ahead"):
                await self._letter()
        elif verb == b"QUIT":
            await self._say(b"221 bye")
            raise _Over
        else:  # RSET
            await self._say(b"250 OK")

    async def _letter(self) -> None:
        fault = self._server.script(self._to, "middle")
        if fault is not None:
            await self._reader.read(1)
            await self._do(fault)
        octets = await self._reader.readuntil(b"\r\n.\r\n")
        message_id = str(message_from_bytes(octets)["Message-ID"])
        self._server.offered.append(message_id)
        fault = self._server.script(self._to, "dot")
        if fault is None or (fault.says or b"").startswith(b"2"):
            self._server.kept.acknowledged.setdefault(self._to, []).append(message_id)
        elif fault.keeps:
            self._server.kept.in_silence.setdefault(self._to, []).append(message_id)
        self._server.heard()
        if fault is None:
            await self._say(b"250 OK taken")
        else:
            await self._do(fault)

    async def _answer(self, stage: Stage, usual: bytes) -> bool:
        """Says the usual, or misbehaves; whether the client may go on as the book says."""
        fault = self._server.script(self._to, stage)
        self._server.heard()
        if fault is None:
            await self._say(usual)
            return True
        await self._do(fault)
        return False

    async def _do(self, fault: Fault) -> None:
        if fault.after:
            await asyncio.sleep(fault.after)
        if fault.says is not None:
            await self._say(fault.says)
        if fault.then == "silent":
            while await self._reader.read(4096):
                pass
        if fault.then != "goes on":
            raise _Over

    async def _say(self, line: bytes) -> None:
        self._writer.write(line + b"\r\n")
        await self._writer.drain()

    async def _line(self) -> bytes:
        line = await self._reader.readline()
        if not self._safe:
            self._server.in_clear += line
        return line


def one_after_another(faults: Iterable[Fault | None], to: str) -> Script:
    """A script for the letters to one address: each try meets the next fault, and none once they are used up."""
    left = list(faults)

    def script(address: str, stage: Stage) -> Fault | None:
        # At MAIL the recipient is not known: such a fault counts for whoever comes first.
        if left and stage == (left[0].stage if left[0] is not None else "dot") and address in (to, ""):
            return left.pop(0)
        return None

    return script
