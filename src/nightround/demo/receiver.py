"""A mail server for trying the program out: takes letters by real SMTP and keeps each as a file. Sends nothing on.

    python -m nightround.demo.receiver FOLDER --port-file FILE

Listens on a free port of this machine only and writes its number to FILE once it listens. Needs aiosmtpd, which the
program itself does not; `deploy/try` installs it.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path
from typing import Any


class Keeper:
    """Keeps each letter as `NNNN-recipient.eml`, the bytes as they came over the wire."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.count = 0

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        """Called by aiosmtpd with the finished envelope; a letter is answered for only when it is on the disk."""
        self.count += 1
        to = "".join(letter if letter.isalnum() or letter in "@.-+_" else "_" for letter in envelope.rcpt_tos[0])
        file = self._folder / f"{self.count:04}-{to}.eml"
        part = file.with_suffix(".part")
        part.write_bytes(envelope.original_content)
        part.rename(file)
        return "250 kept"


async def receive(folder: Path, port_file: Path) -> None:
    """Listens until SIGTERM; an interrupt from the keyboard is left to whoever started this."""
    from aiosmtpd.smtp import SMTP

    folder.mkdir(parents=True, exist_ok=True)
    done = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, done.set)
    loop.add_signal_handler(signal.SIGINT, lambda: None)
    keeper = Keeper(folder)
    server = await loop.create_server(
        lambda: SMTP(keeper, hostname="receiver.example.org", data_size_limit=20_000_000, loop=loop), "127.0.0.1", 0
    )
    part = port_file.with_suffix(".part")
    part.write_text(f"{server.sockets[0].getsockname()[1]}\n", "ascii")
    part.rename(port_file)
    await done.wait()
    server.close()


def main() -> int:
    """The receiver's own command line."""
    parser = argparse.ArgumentParser(prog="python -m nightround.demo.receiver")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--port-file", type=Path, required=True)
    options = parser.parse_args()
    try:
        asyncio.run(receive(options.folder, options.port_file))
    except ImportError:
        sys.stderr.write("the receiver needs aiosmtpd: pip install aiosmtpd\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
