"""A rehearsal of ninety days with the demo fleet, against the reckoning alone that those nights cannot do without.

Floor: the same units reckoned once for each of the days, their facts in memory, and nothing compared, written or told.
Ours: every round, step and letter, from the copy of the database to the list of who would get what.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from nightround.bootstrap import Program
from nightround.demo.fleet import write_fleet
from nightround.register.importing import import_file
from nightround.rehearsal.rehearsing import Days, rehearse
from nightround.rounds.loading import unit_ids, zones
from nightround.rounds.reckoners import Reckoners
from nightround.rounds.rulebook import load as load_rulebook
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate
from nightround.sweeping import look_round

from .measure import by_turns, peak_rss_mb

FIRST = date(2026, 11, 25)
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
DAYS = 90


def run(units: int = 60) -> dict[str, Any]:
    """Seconds of the rehearsal and of the floor, the least of three turns; and how many messages it found."""
    with tempfile.TemporaryDirectory() as folder:
        program = _fleet(Path(folder), units)
        wanted = Days(NOW, NOW + timedelta(days=DAYS), later=False)
        found = rehearse(program, wanted)
        with program.store.read() as conn:
            reckoners = Reckoners(load_rulebook(program.settings), conn)
            loaded = [
                one for zone in zones(conn) for one in reckoners.load(conn, unit_ids(conn, zone, 0, units), FIRST)
            ]

        def alone() -> None:
            for later in range(DAYS):
                for one in loaded:
                    reckoners.at(one.place, FIRST + timedelta(days=later)).unit(one.facts)

        compared = by_turns(lambda: rehearse(program, wanted), alone)
        program.store.close()
    assert len(loaded) == units
    return {
        "name": "rehearse",
        "units": units,
        "days": DAYS,
        "messages": len(found.messages),
        **compared._asdict(),
        "peak_rss_mb": peak_rss_mb(),
    }


def _fleet(folder: Path, units: int) -> Program:
    """The demo fleet, imported and looked round once."""
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text("", "utf-8")
    write_fleet(folder / "files", units, 1, FIRST, lambda done, total: None)
    store = open_store(f"sqlite:///{folder / 'nightround.db'}")
    migrate(store, NOW)
    program = Program(load(folder / "nightround.toml"), store, lambda: NOW)
    import_file(program, folder / "files")
    look_round(program)
    return program
