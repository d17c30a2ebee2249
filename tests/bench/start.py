"""How soon a command is there: help, version, a label decoded, and today's state of an empty fleet.

The floor is a Python that imports the database library and the command-line library and does nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from .measure import by_turns, peak_rss_mb

COMMANDS = (["--help"], ["--version"], ["scan", "010950400005910117270131"], ["today"])


def run(units: int = 5) -> dict[str, Any]:
    """`units` is how many times each is started."""
    floor = [sys.executable, "-c", "import sqlalchemy, click"]
    with tempfile.TemporaryDirectory() as name:
        ours = [sys.executable, "-m", "nightround"]
        _quietly([*ours, "setup", f"{name}/fleet", "--set", "mail.security=plain"])
        os.environ["NIGHTROUND_CONFIG"] = str(Path(name) / "fleet" / "nightround.toml")
        found = {
            " ".join(command[:1]): by_turns(
                lambda command=command: _quietly([*ours, *command]),  # type: ignore[misc]
                lambda: _quietly(floor),
                turns=units,
            )
            for command in COMMANDS
        }
    slowest = found["today"]
    return {
        "units": units,
        "seconds": slowest.seconds,
        "floor_seconds": slowest.floor_seconds,
        "ratio": slowest.ratio,
        "peak_rss_mb": peak_rss_mb(),
        "each": {command: compared._asdict() for command, compared in found.items()},
    }


def _quietly(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 3):  # 3: looked and found problems
        raise RuntimeError(f"{command} ended with {done.returncode}: {done.stderr}")
