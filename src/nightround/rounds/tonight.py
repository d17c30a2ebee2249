"""The nightly round of one time zone for one civil date, and the same reckoning at once for units changed by day.

A batch is one transaction: its duties, moves, conditions and cases are written together or not at all. A round that
is killed is taken up again from the start; what was written already is found unchanged. No letter is written here.
"""

from __future__ import annotations

import gc
import logging
import os
import socket
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import date
from functools import partial
from typing import Any

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..reckoning.dates import local_day, working_days
from ..reckoning.duties import Reckoner
from ..reckoning.facts import Place
from ..reckoning.rules import binding
from ..store.database import raise_version
from ..store.tables import fleet, sites, units
from . import ledger
from .differences import Changes
from .loading import load, unit_ids, zones
from .rulebook import RuleBook
from .rulebook import load as load_rulebook
from .spares import reckon_spares
from .writing import write
from .zones import owed_date

logger = logging.getLogger("nightround.rounds")

Progress = Callable[[int], None]


@dataclass(slots=True)
class RoundResult:
    """What one round did. `messages` is filled in by whoever sends letters afterwards."""

    on: date
    zone: str
    units: int = 0
    duties: int = 0
    moves: int = 0
    cases_opened: int = 0
    cases_closed: int = 0
    messages: int = 0
    seconds: float = 0.0
    findings: list[dict[str, str]] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self)


class _Lost(Exception):
    """The lease ran out and another node took the round; what this one was about to write is rolled back."""


class Reckoners:
    """The reckoners of one day, one a kind of place."""

    def __init__(self, book: RuleBook) -> None:
        self._book = book
        self._known: dict[tuple[Place, date], Reckoner] = {}

    def at(self, place: Place, day: date) -> Reckoner:
        """The reckoner for that kind of place on that day."""
        known = self._known.get((place, day))
        if known is None:
            rules = binding(self._book.rules, place, day)
            working = working_days(place.country, place.subdivision)
            known = self._known[place, day] = Reckoner(place, rules, self._book.sheets, working, day)
        return known


def owed(program: Program) -> list[tuple[str, date]]:
    """The rounds owed now: for each zone in the fleet the latest civil date whose time has come, if not yet done."""
    now = program.clock()
    at = program.settings.rounds.at
    with program.store.read() as conn:
        found = []
        for zone in zones(conn):
            on = owed_date(zone, now, at)
            if ledger.last_done(conn, zone, on) != on:
                found.append((zone, on))
    return found


def run_owed(program: Program, book: RuleBook | None = None, progress: Progress | None = None) -> list[RoundResult]:
    """Runs every round that is owed; missed dates are caught up by the one that runs."""
    book = book or load_rulebook(program.settings)
    results = []
    for zone, on in owed(program):
        result = run_round(program, zone, on, book, progress)
        if result is not None:
            results.append(result)
    return results


def run_round(
    program: Program,
    zone: str,
    on: date,
    book: RuleBook | None = None,
    progress: Progress | None = None,
    *,
    again: bool = False,
) -> RoundResult | None:
    """Runs the round of a zone for a civil date. None where it is done already or another node is at it.

    With `again` a round that is done is run once more, as a person who changed a rule pack would want.
    """
    book = book or load_rulebook(program.settings)
    holder = f"{socket.gethostname()}/{os.getpid()}/{uuid.uuid4().hex[:8]}"
    if not ledger.claim(program.store, zone, on, holder, program.clock(), again=again):
        return None
    started = time.perf_counter()
    result = RoundResult(on, zone)
    reckoners = Reckoners(book)
    changes = Changes(_namespace(program), on, program.clock())
    after = 0
    size = program.settings.rounds.batch
    try:
        while size == program.settings.rounds.batch:
            size, after = _batch(program, zone, on, holder, after, reckoners, changes, result)
            if progress is not None:
                progress(size)
        _close(program, zone, on, holder, reckoners, changes, result, started)
    except _Lost:
        logger.warning("round lost to another node", extra={"zone": zone, "on": str(on)})
        return None
    logger.info("round done", extra={key: str(value) for key, value in result.as_dict().items()})
    return result


def _batch(
    program: Program,
    zone: str,
    on: date,
    holder: str,
    after: int,
    reckoners: Reckoners,
    changes: Changes,
    result: RoundResult,
) -> tuple[int, int]:
    """One transaction. Gives how many units it held and the last id; raises _Lost where another node has the round."""
    now = program.clock()
    changes.clear()
    with program.store.write() as conn:
        ids = unit_ids(conn, zone, after, program.settings.rounds.batch)
        _reckon(conn, ids, on, reckoners, changes, result.findings)
        if changes.any():
            write(conn, changes, now)
            raise_version(conn)
            counts = {
                "moves": len(changes.moves),
                "cases_opened": len(changes.opened),
                "cases_closed": len(changes.closed),
            }
            if not ledger.hold(conn, zone, on, holder, now, **counts):
                raise _Lost
    _add(result, changes)
    return len(ids), ids[-1] if ids else after


def _close(
    program: Program,
    zone: str,
    on: date,
    holder: str,
    reckoners: Reckoners,
    changes: Changes,
    result: RoundResult,
    started: float,
) -> None:
    """The site spares, and the ledger's last word, in one transaction."""
    now = program.clock()
    changes.clear()
    with program.store.write() as conn:
        reckon_spares(conn, zone, None, partial(reckoners.at, day=on), changes)
        if changes.any():
            write(conn, changes, now)
        _add(result, changes)
        result.seconds = round(time.perf_counter() - started, 3)
        counts = {
            "moves": len(changes.moves),
            "cases_opened": len(changes.opened),
            "cases_closed": len(changes.closed),
        }
        held = ledger.hold(conn, zone, on, holder, now, **counts)
        totals = {"units": result.units, "duties": result.duties}
        closed = held and ledger.close(conn, zone, on, holder, now, result.seconds, result.findings, **totals)
        if not closed:
            raise _Lost
        raise_version(conn)


def reckon_units(program: Program, unit_ids: Iterable[int], book: RuleBook | None = None) -> RoundResult:
    """Reckons these units at once, for the civil date now at their site, after facts changed by day.

    Writes duties, moves, conditions and cases as a round does; the ledger is not touched.
    """
    book = book or load_rulebook(program.settings)
    now = program.clock()
    result = RoundResult(local_day(now, program.settings.fleet.time_zone), "")
    reckoners = Reckoners(book)
    by_zone: dict[str, list[int]] = {}
    ids = sorted(set(unit_ids))
    with program.store.read() as conn:
        for start in range(0, len(ids), 500):
            query = (
                select(units.c.id, sites.c.time_zone)
                .join(sites, sites.c.id == units.c.site_id)
                .where(units.c.id.in_(ids[start : start + 500]))
                .order_by(units.c.id)
            )
            for unit_id, zone in conn.execute(query):
                by_zone.setdefault(zone, []).append(unit_id)
    started = time.perf_counter()
    for zone, zone_ids in sorted(by_zone.items()):
        on = local_day(now, zone)
        changes = Changes(_namespace(program), on, now)
        for start in range(0, len(zone_ids), program.settings.rounds.batch):
            changes.clear()
            batch = zone_ids[start : start + program.settings.rounds.batch]
            with program.store.write() as conn:
                _reckon(conn, batch, on, reckoners, changes, result.findings)
                if changes.any():
                    write(conn, changes, now)
                    raise_version(conn)
            _add(result, changes)
        changes.clear()
        with program.store.write() as conn:
            reckon_spares(conn, zone, zone_ids, partial(reckoners.at, day=on), changes)
            if changes.any():
                write(conn, changes, now)
                raise_version(conn)
        _add(result, changes)
    result.seconds = round(time.perf_counter() - started, 3)
    return result


def _reckon(
    conn: Connection,
    ids: Sequence[int],
    on: date,
    reckoners: Reckoners,
    changes: Changes,
    findings: list[dict[str, str]],
) -> None:
    with _without_collector():
        _compare(conn, ids, on, reckoners, changes, findings)


@contextmanager
def _without_collector() -> Iterator[None]:
    """Nothing reckoned holds a cycle; walking its many small values costs a quarter of the night."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _compare(
    conn: Connection,
    ids: Sequence[int],
    on: date,
    reckoners: Reckoners,
    changes: Changes,
    findings: list[dict[str, str]],
) -> None:
    for loaded in load(conn, ids):
        try:
            reckoned = reckoners.at(loaded.place, on).unit(loaded.facts)
        except (ValueError, OverflowError, LookupError, TypeError) as error:
            # One unit with impossible facts is set aside and reported; the rest of the night goes on.
            why = f"{type(error).__name__}: {error}"
            logger.exception("unit set aside", extra={"unit": loaded.facts.unit})
            findings.append({"unit": loaded.facts.unit, "why": why})
            continue
        changes.unit(loaded, reckoned)


def _add(result: RoundResult, changes: Changes) -> None:
    result.units += changes.units
    result.duties += changes.duties
    result.moves += len(changes.moves)
    result.cases_opened += len(changes.opened)
    result.cases_closed += len(changes.closed)


def _namespace(program: Program) -> str:
    with program.store.read() as conn:
        return str(conn.execute(select(fleet.c.namespace)).scalar_one())
