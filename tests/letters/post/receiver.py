"""A real SMTP receiver on a free port of the loopback, with its own thread, that answers as a test tells it to."""

from __future__ import annotations

import asyncio
import ssl
import threading
from collections.abc import Callable
from email import message_from_bytes
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

DATA = Path(__file__).parent / "data"
CA = DATA / "test-only-ca.pem"
DROP = "drop the connection"

# What a test may say for a stage: an answer, DROP, or None for the usual answer.
Says = Callable[[str], str | None]


class Receiver:
    """Use as a context manager. `letters` holds what was accepted: (recipient, bytes), in the order of arrival."""

    def __init__(
        self,
        *,
        starttls: bool = False,
        implicit: bool = False,
        login: tuple[str, str] | None = None,
        utf8: bool = False,
    ) -> None:
        self._context = None
        if starttls or implicit:
            self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._context.load_cert_chain(DATA / "test-only-server.pem")
        self._starttls, self._implicit, self._login, self._utf8 = starttls, implicit, login, utf8
        self.letters: list[tuple[str, bytes]] = []
        self.offered: list[tuple[str, bytes]] = []  # everything that came with DATA, accepted or not
        self.in_clear = b""
        self.commands: list[str] = []
        self.connections = 0
        self.says: dict[str, Says] = {}
        self.meanwhile: Callable[[], None] = lambda: None  # called while a letter waits for its answer
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Receiver:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)

    def recipients(self) -> list[str]:
        return [to for to, _ in self.letters]

    def message_ids(self) -> list[str]:
        return [message_from_bytes(body)["Message-ID"] for _, body in self.offered]

    def _serve(self) -> None:
        asyncio.run(self._run())

    async def _run(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        server = await self._loop.create_server(
            self._protocol, "127.0.0.1", 0, ssl=self._context if self._implicit else None
        )
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        server.close()

    def _protocol(self) -> SMTP:
        self.connections += 1
        return _Recorded(
            self,
            _Handler(self),
            hostname="localhost",
            enable_SMTPUTF8=self._utf8,
            tls_context=self._context if self._starttls else None,
            authenticator=self._authenticate if self._login else None,
            auth_require_tls=False,
            loop=self._loop,
        )

    def _authenticate(self, _server: SMTP, _session: Session, _envelope: Envelope, _how: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        good = (data.login.decode(), data.password.decode()) == self._login
        return AuthResult(success=good, handled=False)


class _Recorded(SMTP):
    def __init__(self, receiver: Receiver, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._receiver = receiver

    def data_received(self, data: bytes) -> None:
        if self.transport is None or self.transport.get_extra_info("sslcontext") is None:
            self._receiver.in_clear += data
        self._receiver.commands += [
            line.split(b" ")[0].decode("latin-1") for line in data.split(b"\r\n") if line[:4] in _COMMANDS
        ]
        super().data_received(data)


_COMMANDS = (b"EHLO", b"MAIL", b"RCPT", b"DATA", b"RSET", b"QUIT", b"AUTH")


class _Handler:
    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver

    def _say(self, stage: str, about: str, server: SMTP) -> str | None:
        says = self._receiver.says.get(stage)
        answer = says(about) if says else None
        if answer == DROP:
            assert server.transport is not None
            server.transport.abort()  # type: ignore[attr-defined]
            return "421 gone"
        return answer

    async def handle_MAIL(self, server: SMTP, _s: Session, envelope: Envelope, address: str, options: list[str]) -> str:
        if (answer := self._say("MAIL", address, server)) is not None:
            return answer
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server: SMTP, _s: Session, envelope: Envelope, address: str, options: list[str]) -> str:
        if (answer := self._say("RCPT", address, server)) is not None:
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        assert isinstance(envelope.content, bytes)
        to = envelope.rcpt_tos[0]
        self._receiver.offered.append((to, envelope.content))
        await asyncio.get_running_loop().run_in_executor(None, self._receiver.meanwhile)
        if (answer := self._say("DATA", to, server)) is not None:
            return answer
        self._receiver.letters.append((to, envelope.content))
        return "250 OK taken"

    async def handle_QUIT(self, server: SMTP, _session: Session, _envelope: Envelope) -> str:
        return self._say("QUIT", "", server) or "221 Bye"
