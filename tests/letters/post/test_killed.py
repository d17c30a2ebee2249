"""A process that is killed at any point of a delivery: every letter still arrives, under the same Message-ID."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from nightround.bootstrap import Program
from nightround.letters import hold
from nightround.letters.delivery import deliver
from nightround.settings import Settings
from nightround.store.database import open_store

from ...conftest import Clock
from .build import letter, office, post, states
from .receiver import Receiver

# What the killed process runs: a delivery in which one function of ours is its death.
DIES = """
import os, signal, sys
from datetime import datetime
from pathlib import Path
from nightround.bootstrap import Program
from nightround.letters import box, delivery, smtp
from nightround.settings import load
from nightround.store.database import open_store

def die(*_given, **_named):
    os.kill(os.getpid(), signal.SIGKILL)

settings, url, where, now = sys.argv[1:]
module, _, name = where.partition(".")
owner = {"box": box, "smtp": smtp, "line": smtp.Line, "delivery": delivery, "": None}[module]
if name != "":
    assert hasattr(owner, name)
    setattr(owner, name, die)
program = Program(load(Path(settings)), open_store(url), lambda: datetime.fromisoformat(now))
delivery.deliver(program)
"""

# Point of death → the function that is it ("" where the receiver kills), and how often letters come in the end.
POINTS = {
    "claimed": ("smtp.open_line", (3,)),
    "connected": ("line.send", (3,)),
    "before the letter's first octet": ("smtp._stuffed", (3,)),
    "while the server has it": ("", (4,)),
    "after the answer": ("delivery.judge", (4,)),
    "before it is settled": ("box.settle", (4, 5, 6)),
    "after all is settled": ("box.release", (3,)),
}
RUNS = [("sqlite", point) for point in POINTS] + [("postgresql", "claimed"), ("postgresql", "before it is settled")]


@pytest.mark.parametrize(("kind", "point"), RUNS)
def test_a_killed_delivery_loses_no_letter(
    kind: str, point: str, database_of: Callable[[str], str], settings: Settings, clock: Clock, tmp_path: Path
) -> None:
    where, times = POINTS[point]
    url = database_of(kind)
    program = Program(settings, open_store(url), clock)
    names = [f"n{number}" for number in range(3)]
    with Receiver() as receiver:
        here = office(program, receiver.port, host="127.0.0.1")
        post(here, *(letter(name) for name in names))
        (tmp_path / "kill.toml").write_text(
            f'[mail]\nsecurity = "plain"\nhost = "127.0.0.1"\nport = {receiver.port}\nlanes = 1\n', "utf-8"
        )
        doomed = subprocess.Popen(
            [sys.executable, "-c", DIES, str(tmp_path / "kill.toml"), url, where, clock.now.isoformat()],
            stderr=subprocess.PIPE,
        )
        if not where:
            receiver.meanwhile = doomed.kill
        _, said = doomed.communicate(timeout=60)
        assert doomed.returncode == -signal.SIGKILL, said.decode()
        receiver.meanwhile = lambda: None
        assert "sending" in states(here).values() or point == "after all is settled"
        # Within the lease nobody else touches what the dead one may still be sending.
        seen = len(receiver.offered)
        deliver(here)
        assert len(receiver.offered) == seen
        clock.now += hold.LEASE
        deliver(here)
    assert states(here) == dict.fromkeys(names, "sent")
    # A letter may come twice only where the process died between the server's answer and the settling.
    assert set(receiver.message_ids()) == {f"<{name}@test.example.org>" for name in names}
    assert len(receiver.message_ids()) in times
    program.store.close()
