"""A real process that runs one command of the program, and is killed right after it has committed so many times.

Only here does anything know of killing: the program itself has no place at which it can be told to die.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection

from nightround import cli
from nightround.store.database import Store


@dataclass(frozen=True)
class Ended:
    """How a process ended: its exit status, the number of the signal that killed it below nothing."""

    status: int
    out: str
    err: str

    @property
    def killed(self) -> bool:
        """Whether it died as it was to; one that came to its end made fewer commits."""
        assert "Traceback" not in self.err, self.err
        assert self.status in (0, 3, -signal.SIGKILL), (self.status, self.out, self.err)
        return self.status == -signal.SIGKILL


def command(config: Path, now: datetime, *words: str, commits: int = 0) -> Ended:
    """Runs the command in a process of its own, by a clock that stands at `now`; killed after `commits` commits."""
    out, err = config.parent / "out.txt", config.parent / "err.txt"
    child = os.fork()
    if child == 0:
        try:
            sys.stdout, sys.stderr = out.open("w", encoding="utf-8"), err.open("w", encoding="utf-8")
            os.environ["NIGHTROUND_CONFIG"] = str(config)
            status = _run(commits, now, words)
        except BaseException:
            traceback.print_exc()
            status = 70
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)
    _, how = os.waitpid(child, 0)
    return Ended(os.waitstatus_to_exitcode(how), out.read_text("utf-8"), err.read_text("utf-8"))


def _run(commits: int, now: datetime, words: tuple[str, ...]) -> int:
    write, left = Store.write, [commits]

    @contextmanager
    def counted(self: Store) -> Iterator[Connection]:
        with write(self) as conn:
            yield conn
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    Store.write = counted  # type: ignore[method-assign]
    return cli.run(words, clock=lambda: now)
