"""Runs the real program in its own process, and a real mail server beside it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

PATIENCE = 60.0


@dataclass(frozen=True)
class Program:
    """The program with one installation's settings, started anew for every command."""

    folder: Path

    def run(self, *arguments: str, exits: int | tuple[int, ...] = 0) -> str:
        """Standard output of one command, which must end with that status and without a traceback."""
        wanted = (exits,) if isinstance(exits, int) else exits
        done = subprocess.run(
            [sys.executable, "-m", "nightround", *arguments],
            capture_output=True,
            text=True,
            encoding="utf-8",
            env=self.environment(),
            cwd=self.folder.parent,
            check=False,
        )
        assert "Traceback" not in done.stderr, done.stderr
        assert done.returncode in wanted, (arguments, done.returncode, done.stdout, done.stderr)
        return done.stdout

    def json(self, *arguments: str, exits: int | tuple[int, ...] = 0) -> Any:
        """The JSON document that a command answers with; nothing else may be on its standard output."""
        return json.loads(self.run("--json", *arguments, exits=exits))

    def environment(self) -> dict[str, str]:
        """Ours without any setting, plus where the settings file lies."""
        ours = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTROUND_")}
        return {**ours, "NIGHTROUND_CONFIG": str(self.folder / "nightround.toml"), "PYTHONIOENCODING": "utf-8"}


@dataclass(frozen=True)
class Receiver:
    """A running mail server: its port, and the letters it was given."""

    port: int
    folder: Path

    def letters(self) -> list[EmailMessage]:
        """Every letter so far, in the order in which they came."""
        found = []
        for file in sorted(self.folder.glob("*.eml")):
            letter = message_from_bytes(file.read_bytes(), policy=policy.default)
            assert isinstance(letter, EmailMessage)
            found.append(letter)
        return found


@contextmanager
def receiver(folder: Path) -> Iterator[Receiver]:
    """The receiver that `deploy/try` uses, on a free port, until the block ends."""
    port_file = folder / "port"
    process = subprocess.Popen(
        [sys.executable, "-m", "nightround.demo.receiver", str(folder / "mail"), "--port-file", str(port_file)]
    )
    try:
        deadline = time.monotonic() + PATIENCE
        while not port_file.exists():
            assert process.poll() is None, "the receiver ended"
            assert time.monotonic() < deadline, "the receiver did not start"
            time.sleep(0.05)  # between looks; the file's appearance is what is awaited
        yield Receiver(int(port_file.read_text("ascii")), folder / "mail")
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE) == 0
