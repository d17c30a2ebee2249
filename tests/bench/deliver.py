"""Letters a second, letter box included, against bare aiosmtplib.

Floor: the same letters on as many reused connections to the same sink, which runs in a process of its own; nothing
is read from or written to a database. Ours: claim, send and settle, each letter committed.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median
from typing import Any

import aiosmtplib
from aiosmtpd.smtp import SMTP, Envelope, Session

from nightround.bootstrap import Program
from nightround.letters import box
from nightround.letters.compose import Addressee, Letter, compose, message_id
from nightround.letters.delivery import deliver
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate

from .measure import peak_rss_mb, timed

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TURNS = 5


def run(units: int = 1000) -> dict[str, Any]:
    """Seconds to deliver `units` letters, and of the floor: the least of five turns, and the median of the ratios."""
    with tempfile.TemporaryDirectory() as folder, _sink() as port:
        place = Path(folder)
        (place / "nightround.key").write_bytes(b"k" * 43)
        (place / "nightround.toml").write_text(
            f'[mail]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "plain"\n', "utf-8"
        )
        settings = load(place / "nightround.toml")
        store = open_store(f"sqlite:///{place / 'nightround.db'}")
        migrate(store, NOW)
        program = Program(settings, store, lambda: NOW)
        pairs = []
        for turn in range(TURNS):
            letters = _letters(program, units, turn)
            with store.write() as conn:
                for letter in letters:
                    box.post(conn, letter)

            def ours() -> None:
                done = deliver(program)
                assert (done.sent, done.waiting) == (units, 0)

            def floor(letters: list[Letter] = letters) -> None:
                asyncio.run(_bare(port, settings.mail.lanes, letters))

            if turn % 2:
                below = timed(floor)
                pairs.append((timed(ours), below))
            else:
                pairs.append((timed(ours), timed(floor)))
        store.close()
    seconds, floor_seconds = (min(pair[side] for pair in pairs) for side in (0, 1))
    return {
        "name": "deliver",
        "units": units,
        "lanes": settings.mail.lanes,
        "seconds": round(seconds, 3),
        "floor_seconds": round(floor_seconds, 3),
        "ratio": round(median(mine / below for mine, below in pairs), 3),
        "letters_a_second": round(units / seconds),
        "letter_octets": len(letters[0].body),
        "peak_rss_mb": peak_rss_mb(),
    }


def _letters(program: Program, count: int, turn: int) -> list[Letter]:
    """Letters as large as real ones; only what makes each its own differs."""
    content = {"zone": "UTC", "host": "mail.example.org", "security": "plain"}
    pattern = compose(program.settings, "test", "pattern", Addressee(None, "Ann", "ann@example.org"), content, NOW)
    made = []
    for number in range(count):
        identity = message_id(program.settings, f"{turn}/{number}")
        body = pattern.body.replace(pattern.message_id.encode(), identity.encode())
        made.append(replace(pattern, key=f"{turn}/{number}", message_id=identity, body=body))
    return made


async def _bare(port: int, lanes: int, letters: list[Letter]) -> None:
    async def lane(mine: list[Letter]) -> None:
        client = aiosmtplib.SMTP(hostname="127.0.0.1", port=port, use_tls=False, start_tls=False)
        async with client:
            for letter in mine:
                await client.sendmail("nightround@example.org", [letter.to_address], letter.body)

    await asyncio.gather(*(lane(letters[start::lanes]) for start in range(lanes)))


class _Sink:
    async def handle_DATA(self, _server: SMTP, _session: Session, _envelope: Envelope) -> str:
        return "250 OK"


def _serve(pipe: Connection) -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: SMTP(_Sink(), hostname="localhost", loop=loop), "127.0.0.1", 0)
        pipe.send(server.sockets[0].getsockname()[1])
        await asyncio.to_thread(pipe.recv)

    asyncio.run(main())


@contextmanager
def _sink() -> Iterator[int]:
    """The port of a receiver that takes everything, in a process of its own."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(there,), daemon=True)
    process.start()
    there.close()
    try:
        yield here.recv()
    finally:
        here.send("enough")
        process.join(10)
