"""Letters and post offices for tests of delivery."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Row, select

from nightround.bootstrap import Program
from nightround.letters import box
from nightround.letters.compose import Letter
from nightround.settings import Settings
from nightround.store.tables import messages

from ...conftest import START

# One second for the longest step of RFC 5321 §4.5.3.2 would be 1/600; no test here waits for a timeout of more.
QUICK = 0.001


def mail(settings: Settings, port: int, **given: Any) -> Settings:
    """The settings with mail for a receiver on that port."""
    changed = {"host": "localhost", "port": port, "security": "plain", **given}
    return settings.model_copy(update={"mail": settings.mail.model_copy(update=changed)})


def office(program: Program, port: int, **given: Any) -> Program:
    return replace(program, settings=mail(program.settings, port, **given))


def letter(name: str, *, to: str = "", urgent: bool = False, created_at: datetime = START) -> Letter:
    """A small letter with a Message-ID of its own."""
    identity = f"<{name}@test.example.org>"
    body = f"From: <a@example.org>\r\nSubject: {name}\r\nMessage-ID: {identity}\r\n\r\n.dots stay\r\nBody\r\n"
    address = to or f"{name}@example.org"
    return Letter(name, "test", None, address, name, identity, body.encode("ascii"), urgent, created_at)


def post(program: Program, *letters: Letter) -> list[int]:
    with program.store.write() as conn:
        return [number for one in letters if (number := box.post(conn, one)) is not None]


def rows(program: Program) -> dict[str, Row[Any]]:
    """Every message by its key."""
    with program.store.read() as conn:
        return {row.key: row for row in conn.execute(select(messages))}


def states(program: Program) -> dict[str, str]:
    return {key: row.state for key, row in rows(program).items()}
