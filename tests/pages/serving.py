"""A real web server on a free port, as the service runs it."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import uvicorn

from nightround.connections import config


@contextlib.contextmanager
def serving(app: Any) -> Iterator[int]:
    """Serves the application until the block ends; gives the port."""
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(config(app, 100, time.monotonic))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield listening.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(10)
        listening.close()
