"""The feed over HTTP on loopback: requests a second for an unchanged feed, with and without a reader's copy.

Floor: a static file server of the same framework and server with the same bytes. Each server is a process of its own;
one reader asks over a kept connection, both servers by turns.
"""

from __future__ import annotations

import asyncio
import http.client
import multiprocessing
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars import keys
from nightround.pages import calendar
from nightround.pages.access import Access
from nightround.settings import load as load_settings
from nightround.store.database import open_store

from . import fleet
from .feed import furnish
from .measure import by_turns, peak_rss_mb

REQUESTS = 50
NOT_MODIFIED_REQUESTS = 300


def run(units: int = 334) -> dict[str, Any]:
    """Seconds a request for the whole feed in plain bytes, beside the floor's; then gzip, and the answer 304."""
    with tempfile.TemporaryDirectory() as folder:
        program, feed, key = furnish(Path(folder), units)
        address = keys.address(program.settings, key)
        body = feeds.build(program, feed, source=address).body
        program.store.close()
        site = Path(folder) / "site"
        site.mkdir()
        (site / "feed.ics").write_bytes(body)
        with _server(_ours, folder) as (our_port, our_peak), _server(_floor, str(site)) as (floor_port, _):
            ours, static = _Reader(our_port, f"/calendar/{key}.ics"), _Reader(floor_port, "/feed.ics")
            assert ours.ask()[1] == static.ask()[1] == body
            whole = by_turns(ours.many(REQUESTS, "identity"), static.many(REQUESTS, "identity"))
            packed = by_turns(ours.many(REQUESTS, "gzip"), static.many(REQUESTS, "identity"))
            unchanged = by_turns(
                ours.many(NOT_MODIFIED_REQUESTS, "identity", ours.ask()[2]),
                static.many(NOT_MODIFIED_REQUESTS, "identity", static.ask()[2]),
            )
            peak = our_peak()
        return {
            "name": "http",
            "units": units,
            "bytes": len(body),
            "requests": REQUESTS,
            "seconds": whole.seconds,
            "floor_seconds": whole.floor_seconds,
            "ratio": whole.ratio,
            "peak_rss_mb": peak,
            "ms_a_request": round(whole.seconds / REQUESTS * 1000, 2),
            "gzip_ms_a_request": round(packed.seconds / REQUESTS * 1000, 2),
            "unchanged_ms_a_request": round(unchanged.seconds / NOT_MODIFIED_REQUESTS * 1000, 3),
            "unchanged_floor_ms_a_request": round(unchanged.floor_seconds / NOT_MODIFIED_REQUESTS * 1000, 3),
            "unchanged_ratio": unchanged.ratio,
        }


class _Reader:
    """Asks for one address over one kept connection a turn."""

    def __init__(self, port: int, path: str) -> None:
        self._conn = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self._path = path

    def ask(self, coding: str = "identity", etag: str = "") -> tuple[int, bytes, str]:
        headers = {"Accept-Encoding": coding} | ({"If-None-Match": etag} if etag else {})
        self._conn.request("GET", self._path, headers=headers)
        answer = self._conn.getresponse()
        return answer.status, answer.read(), answer.headers["ETag"]

    def many(self, times: int, coding: str, etag: str = "") -> Callable[[], None]:
        expected = 304 if etag else 200

        def work() -> None:
            self._conn.close()  # a new one each turn: servers close one that was idle during the other's
            for _ in range(times):
                assert self.ask(coding, etag)[0] == expected

        return work


def _ours(folder: str) -> Any:
    store = open_store(f"sqlite:///{Path(folder) / 'feed.db'}")
    program = Program(load_settings(None), store, lambda: fleet.NOW)
    return Access(Starlette(routes=calendar.routes(program)), program.clock)


def _floor(folder: str) -> Any:
    return Starlette(routes=[Mount("/", StaticFiles(directory=folder))])


@contextmanager
def _server(make: Callable[[str], Any], folder: str) -> Iterator[tuple[int, Callable[[], float]]]:
    """A server process; gives its port, and a function that asks it for its peak of memory in MB."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(make, folder, there), daemon=True)
    process.start()

    def peak() -> float:
        here.send("peak")
        return float(here.recv())

    try:
        yield int(here.recv()), peak
    finally:
        process.terminate()
        process.join(10)


def _serve(make: Callable[[str], Any], folder: str, pipe: Connection) -> None:
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(make(folder), log_config=None, access_log=False, lifespan="off"))

    async def main() -> None:
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        while not server.started:
            await asyncio.sleep(0.01)
        pipe.send(listening.getsockname()[1])
        asyncio.get_running_loop().add_reader(pipe.fileno(), _say_peak, pipe)
        await serving

    asyncio.run(main())


def _say_peak(pipe: Connection) -> None:
    pipe.recv()
    pipe.send(peak_rss_mb())
