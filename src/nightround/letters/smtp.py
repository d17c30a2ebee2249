"""Speaks to the mail server: opens a connection exactly as the settings say, and carries one letter after another.

Security is one of three and never falls back to another: the library's own default would log in and send in clear
to a server that offers no STARTTLS. Knows nothing of the letter box.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import ssl
from dataclasses import dataclass, field
from functools import cache

from aiosmtplib import (
    SMTP,
    SMTPConnectError,
    SMTPConnectTimeoutError,
    SMTPException,
    SMTPHeloError,
    SMTPResponseException,
    SMTPServerDisconnected,
)

from .. import addresses, files
from ..errors import UserError
from ..masking import Mask
from ..settings import Settings
from .answers import Answer, Stage
from .compose import sender

logger = logging.getLogger("nightround.letters.smtp")

# RFC 5321 §4.5.3.2, in seconds; `mail.timeout_scale` scales them.
GREETING = 5 * 60
MAIL = 5 * 60
RCPT = 5 * 60
DATA = 2 * 60
BLOCK = 3 * 60
FINAL_DOT = 10 * 60
LETTER = MAIL + RCPT + DATA + BLOCK + FINAL_DOT  # the longest that one letter may take
_LIMITS = {Stage.MAIL: MAIL, Stage.RCPT: RCPT, Stage.DATA: DATA, Stage.MESSAGE: BLOCK + FINAL_DOT}
QUIT = 5.0  # nothing depends on it


class Trouble(Exception):
    """No letter can be carried; the answer says at which stage and why."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.sentence())
        self.answer = answer


@dataclass(frozen=True, slots=True)
class Way:
    """How to reach the server, read once from the settings."""

    host: str
    port: int
    security: str
    sender: str
    username: str
    password: str = field(repr=False)
    context: ssl.SSLContext | None
    scale: float

    def answer(self, stage: Stage, code: int | None, text: str) -> Answer:
        """What the server said, less our password: some repeat what they were sent, and what they say is kept."""
        return Answer(stage, code, self._mask(text))

    def unanswered(self, stage: Stage, error: BaseException, seconds: float) -> Answer:
        """What was seen of it where no answer came within so many seconds."""
        return self.answer(stage, None, _seen(stage, error, seconds))

    @property
    def _mask(self) -> Mask:
        return Mask([self.password], self.username)


def way(settings: Settings) -> Way:
    """Raises UserError where a file that the settings name cannot be used."""
    mail = settings.mail
    context = None
    if mail.security != "plain":
        context = ssl.create_default_context()
        if mail.ca_file is not None:
            path = settings.path(mail.ca_file)
            try:
                files.check_is_file(path)
                context.load_verify_locations(cafile=path)
            except files.Unfit as unfit:
                raise UserError(f"mail.ca_file: {path} {unfit}") from None
            except OSError as error:  # ssl.SSLError is one
                raise UserError(f"mail.ca_file: {path} holds no certificates that can be read ({error})") from None
    return Way(
        host=mail.host,
        port=mail.port,
        security=mail.security,
        sender=sender(settings),
        username=mail.username,
        password=settings.mail_password() if mail.username else "",
        context=context,
        scale=mail.timeout_scale,
    )


async def open_line(to: Way) -> Line:
    """A connection that is ready for letters. Raises Trouble where there is none to be had."""
    client = SMTP(
        hostname=to.host,
        port=to.port,
        use_tls=to.security == "implicit",
        start_tls=False,  # done below, so that a refusal has its stage; never left to the library
        tls_context=to.context,
        timeout=GREETING * to.scale,
        local_hostname=await asyncio.to_thread(_own_name),
    )
    stage = Stage.CONNECT
    try:
        await client.connect()
        stage = Stage.EHLO
        await _greet(client)
        if to.security == "starttls":
            stage = Stage.TLS
            await client.starttls()
            await _greet(client)
        if to.username:
            stage = Stage.LOGIN
            await client.login(to.username, to.password)
    except (SMTPException, OSError, ValueError) as error:
        client.close()
        stage = _stage(error) if stage == Stage.CONNECT else stage
        if isinstance(error, ssl.SSLError) or isinstance(error.__cause__, ssl.SSLError):
            stage = Stage.TLS
        if isinstance(error, SMTPResponseException) and error.code > 0:
            raise Trouble(to.answer(stage, error.code, error.message)) from None
        raise Trouble(to.unanswered(stage, error, GREETING * to.scale)) from None
    except BaseException:
        client.close()
        raise
    return Line(client, to)


def _stage(error: Exception) -> Stage:
    """The step at which a connection could not be opened; the library takes the greeting for a part of connecting."""
    if isinstance(error, SMTPResponseException):
        return Stage.GREETING
    # Before the greeting there is the connection itself, and what kept that from coming about is an error of its own.
    greeted = isinstance(error, SMTPConnectTimeoutError) and isinstance(error.__cause__, SMTPException)
    hung_up = isinstance(error, SMTPConnectError) and isinstance(error.__cause__, SMTPException)
    return Stage.GREETING if greeted or hung_up else Stage.CONNECT


_MALFORMED = "Malformed SMTP response line: "  # the library's words before what came


def _seen(stage: Stage, error: BaseException, seconds: float) -> str:
    """What was seen where no answer came."""
    cause = error.__cause__ if isinstance(error, SMTPConnectError) and error.__cause__ is not None else error
    if isinstance(cause, ssl.SSLError):
        return str(cause)
    if isinstance(cause, TimeoutError):
        what = "connection" if stage == Stage.CONNECT else "answer"
        return f"no {what} within {seconds:{'.0f' if seconds >= 1 else '.1g'}} seconds"
    if isinstance(cause, SMTPResponseException):
        if cause.message.startswith(_MALFORMED):
            return f"what came is no answer of a mail server: {cause.message.removeprefix(_MALFORMED).strip()[:80]!r}"
        return cause.message
    if stage == Stage.CONNECT and isinstance(cause, OSError):
        return os.strerror(cause.errno) if cause.errno and cause.errno > 0 else cause.strerror or str(cause)
    if isinstance(cause, ConnectionError):
        if stage == Stage.MESSAGE:
            return "the connection ended before the answer to the final dot"
        return "the connection ended without an answer"
    return str(cause)


async def _greet(client: SMTP) -> None:
    try:
        await client.ehlo()
    except SMTPHeloError:
        if not client.is_connected:
            raise
        await client.helo()


@cache
def _own_name() -> str:
    """The name for EHLO: this machine's, or an address literal where it has none in full (RFC 5321 §4.1.4)."""
    name = socket.getfqdn()
    return name if "." in name and name.isascii() and " " not in name else "[127.0.0.1]"


class Line:
    """One open connection. `carried` counts the letters it has taken to an end, whatever the answer."""

    def __init__(self, client: SMTP, to: Way) -> None:
        self._client = client
        self._way = to
        self._stage = Stage.MAIL
        self._deadline: asyncio.Timeout | None = None
        self.carried = 0

    @property
    def alive(self) -> bool:
        return self._client.is_connected

    def hurry(self, seconds: float) -> None:
        """Leaves the letter in hand, if there is one, at most that long to come to its end."""
        if self._deadline is not None:
            soon = asyncio.get_running_loop().time() + seconds
            self._deadline.reschedule(min(self._deadline.when() or soon, soon))

    async def send(self, to_address: str, body: bytes) -> Answer:
        """Hands the letter over and says what the server answered. Raises nothing that the server could cause.

        The connection is closed where its state is not known afterwards.
        """
        try:
            async with asyncio.timeout(LETTER * self._way.scale) as self._deadline:
                answer = await self._send(to_address, body)
        except TimeoutError as error:
            # The library's own timeouts are TimeoutErrors with words; the deadline's has none.
            if str(error):
                answer = self._way.unanswered(self._stage, error, _LIMITS[self._stage] * self._way.scale)
            else:
                answer = Answer(self._stage, None, "no answer in time")
        except (SMTPException, OSError) as error:
            answer = self._way.unanswered(self._stage, error, 0)
        except ValueError as error:
            self._client.close()  # the library refuses to write the address into a command
            return Answer(Stage.ADDRESS, None, str(error))
        finally:
            self._deadline = None
        if answer.stage != Stage.ADDRESS:
            self.carried += 1
            if answer.code is None:
                self._client.close()
        return answer

    async def _send(self, to_address: str, body: bytes) -> Answer:
        self._stage = Stage.ADDRESS
        box = addresses.read(to_address)
        if box is None:
            return Answer(Stage.ADDRESS, None, f"{to_address!r} is not an e-mail address; correct it in the register")
        client, scale = self._client, self._way.scale
        options = [f"SIZE={len(body)}"] if client.supports_extension("size") else []
        if box.needs_utf8:
            if not client.supports_extension("smtputf8"):
                why = f"the mail server cannot write to {to_address!r}: it does not offer SMTPUTF8"
                return Answer(Stage.ADDRESS, None, why)
            options += ["BODY=8BITMIME", "SMTPUTF8"]

        self._stage = Stage.MAIL
        encoding = "utf-8" if box.needs_utf8 else "ascii"
        code, words = await _asked(
            client.mail(self._way.sender, options=options, encoding=encoding, timeout=MAIL * scale)
        )
        if code // 100 != 2:
            return await self._refused(code, words)

        self._stage = Stage.RCPT
        code, words = await _asked(client.rcpt(box.address, encoding=encoding, timeout=RCPT * scale))
        if code // 100 != 2:
            return await self._refused(code, words)

        self._stage = Stage.DATA
        code, words = await client.execute_command(b"DATA", timeout=DATA * scale)
        if code // 100 != 3:
            if code // 100 == 2:
                client.close()  # neither wants the letter nor refuses it: nothing more can be said here
            return await self._refused(code, words)

        self._stage = Stage.MESSAGE
        protocol = client.protocol
        if protocol is None:
            raise SMTPServerDisconnected("Connection lost")
        protocol.write(_stuffed(body))
        code, words = await protocol.read_response(timeout=_LIMITS[Stage.MESSAGE] * scale)
        if code == 421 or code // 100 not in (2, 4, 5):
            client.close()
        return self._way.answer(self._stage, code, words)

    async def _refused(self, code: int, words: str) -> Answer:
        """The answer, after the letter's envelope has been taken back."""
        answer = self._way.answer(self._stage, code, words)
        if self.alive:
            try:
                await self._client.rset(timeout=MAIL * self._way.scale)
            except (SMTPException, OSError):
                self._client.close()
        return answer

    async def close(self, patience: float = QUIT) -> None:
        """Ends the session. What goes wrong here changes nothing for any letter."""
        if self.alive:
            try:
                await self._client.quit(timeout=patience)
            except (SMTPException, OSError) as error:
                logger.debug("QUIT failed", extra={"why": str(error)})
        self._client.close()

    def drop(self) -> None:
        """Ends the connection without a word."""
        self._client.close()


async def _asked(command: object) -> tuple[int, str]:
    """The server's code and words; the library raises where the code is not exactly the one of the book."""
    try:
        response = await command  # type: ignore[misc]
    except SMTPResponseException as error:
        if error.code <= 0:
            raise
        return error.code, error.message
    return response.code, response.message


def _stuffed(body: bytes) -> bytes:
    """The letter as DATA carries it: dots at the start of lines doubled, then the final dot (RFC 5321 §4.5.2)."""
    if not body.endswith(b"\r\n"):
        body += b"\r\n"
    body = body.replace(b"\r\n.", b"\r\n..")
    return (b"." + body if body.startswith(b".") else body) + b".\r\n"
