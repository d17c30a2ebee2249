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
from datetime import date, datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..reckoning.dates import local_day, local_instant
from ..register.closures import closed
from ..store import marks
from ..store.database import raise_version
from ..store.recalling import notes, recall, within
from ..store.tables import fleet, sites, units
from . import ledger, rulechanges
from .causes import Limits
from .differences import Changes
from .grouping import group_cases
from .loading import covered_by, unit_ids, zones
from .personal import compare_people
from .reckoners import Reckoners
from .rulebook import RuleBook
from .rulebook import load as load_rulebook
from .staff import owe_sites
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
    in_other_hands: bool = False  # another process holds this round; this one did nothing

    def add(self, other: RoundResult) -> None:
        """Adds what another did. Duties of sites that both looked at are counted twice."""
        for name in ("units", "duties", "moves", "cases_opened", "cases_closed"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.findings += other.findings

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self)


class Stopped(Exception):
    """The service was asked to stop; raised by a `Progress` between two batches, and passed on by the round."""


class _Lost(Exception):
    """The lease ran out and another node took the round; what this one was about to write is rolled back."""


def owed(program: Program) -> list[tuple[str, date]]:
    """The rounds owed now: for each zone in the fleet the latest civil date whose time has come, if not yet done.

    One that ended in time to come is not done, and its zone's is owed once more: the clock was ahead when it ran.
    """
    now = program.clock()
    at = program.settings.rounds.at
    with program.store.read() as conn:
        found_done = notes(conn, "done")
        known = {} if found_done is None else found_done  # what is done stays done
        wanted = [(zone, on) for zone in zones(conn) if known.get(zone) != (on := owed_date(zone, now, at))]
        if not wanted:
            return []
        done = ledger.ended(conn, [zone for zone, _ in wanted], min(on for _, on in wanted))
    ahead = {zone for (zone, _), finished in done.items() if finished > now + ledger.AHEAD}
    found = []
    for zone, on in wanted:
        # One run by hand before that night came does not stand for it.
        finished = done.get((zone, on))
        if finished is None or finished < local_instant(on, at, zone) or zone in ahead:
            found.append((zone, on))
        else:
            known[zone] = on
    return found


def run_owed(program: Program, book: RuleBook | None = None, progress: Progress | None = None) -> list[RoundResult]:
    """Runs every round that is owed; missed dates are caught up by the one that runs."""
    book = book or load_rulebook(program.settings)
    results = []
    for zone, on in owed(program):
        since = local_instant(on, program.settings.rounds.at, zone)
        result = run_round(program, zone, on, book, progress, since=since)
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
    since: datetime | None = None,
) -> RoundResult | None:
    """Runs the round of a zone for a civil date. None where it is done already or another node is at it.

    With `again` a round that is done is run once more, as a person who changed a rule pack would want; with `since`,
    one that ended before that instant.
    """
    book = book or load_rulebook(program.settings)
    holder = f"{socket.gethostname()}/{os.getpid()}/{uuid.uuid4().hex[:8]}"
    if not ledger.claim(program.store, zone, on, holder, program.clock(), again=again, since=since):
        return None
    started = time.perf_counter()
    result = RoundResult(on, zone)
    reckoners = Reckoners(book)
    with program.store.read() as conn:
        changes = changes_of(conn, program, on, program.clock(), reckoners)
        starts = {rule.id: rule.effective_from for rule in book.rules if rule.effective_from is not None}
        changes.after(ledger.newest_on(conn, zone), starts)
    after = 0
    size = program.settings.rounds.batch
    try:
        while size == program.settings.rounds.batch:
            size, after = _batch(program, zone, on, holder, after, reckoners, changes, result)
            if progress is not None:
                progress(size)
        for _ in compare_people(program, zone, on, book, changes, result.findings, partial(_hold, zone, on, holder)):
            add(result, changes)
        _close(program, zone, on, holder, reckoners, changes, result, started, book)
    except Stopped:
        ledger.release(program.store, zone, on, holder, program.clock())
        logger.info("round broken off", extra={"zone": zone, "on": str(on)})
        raise
    except _Lost:
        logger.warning("round lost to another node", extra={"zone": zone, "on": str(on)})
        return None
    if logger.isEnabledFor(logging.INFO):
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
        _reckon(conn, ids, on, reckoners, changes, result.findings, zone)
        if changes.any():
            with within(conn, zone):
                write(conn, changes, now)
            raise_version(conn)
            _hold(zone, on, holder, conn, changes, now)
    add(result, changes)
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
    book: RuleBook,
) -> None:
    """What sites owe, what is told as one, and the ledger's last word, in one transaction."""
    now = program.clock()
    changes.clear()
    with program.store.write() as conn:
        owe_sites(conn, program.settings, zone, None, on, book, reckoners, changes)
        if changes.any():
            with within(conn, zone):
                write(conn, changes, now)
        group_cases(conn, on, now, program.settings.cases.group_from, zone)
        add(result, changes)
        result.seconds = round(time.perf_counter() - started, 3)
        totals = {"units": result.units, "duties": result.duties}
        closed = ledger.close(conn, zone, on, holder, now, result.seconds, result.findings, totals, **_counts(changes))
        if not closed:
            raise _Lost
        changed = rulechanges.note(conn, book, now)
        raise_version(conn)
    if changed is not None:
        logger.warning(changed.said, extra={"kind": changed.kind})


def reckon_units(
    program: Program,
    unit_ids: Iterable[int],
    book: RuleBook | None = None,
    *,
    site_ids: Iterable[int] = (),
    progress: Progress | None = None,
) -> RoundResult:
    """Reckons these units at once, for the civil date now at their site, after facts changed by day.

    What their sites owe, and those of `site_ids` beside, is reckoned too. Writes duties, moves, conditions and cases
    as a round does; the ledger is not touched. The marks of all these that were there before are cleared, a zone's
    with the last of what is written for it.
    """
    book = book or load_rulebook(program.settings)
    now = program.clock()
    result = RoundResult(local_day(now, program.settings.fleet.time_zone), "")
    with program.store.read() as conn:
        reckoners = Reckoners(book, conn)
        # What becomes of a loan unit concerns the one in whose place it stands.
        concerned = {*(ids := sorted(set(unit_ids))), *covered_by(conn, ids)}
        by_zone = _by_zone(conn, sorted(concerned), sorted(set(site_ids)))
        # Read before any of the facts: what is marked later may have been seen too early.
        marked = marks.of(conn, [holder for its in by_zone.values() for holder in _holders(*its)])
    started = time.perf_counter()
    for zone, (zone_ids, zone_sites) in sorted(by_zone.items()):
        on = local_day(now, zone)
        with program.store.read() as conn:
            changes = changes_of(conn, program, on, now, reckoners)
        for start in range(0, len(zone_ids), program.settings.rounds.batch):
            changes.clear()
            batch = zone_ids[start : start + program.settings.rounds.batch]
            with program.store.write() as conn:
                conn.execute(_ALONE)
                _reckon(conn, batch, on, reckoners, changes, result.findings)
                if changes.any():
                    write(conn, changes, now)
                    raise_version(conn)
            add(result, changes)
            if progress is not None:
                progress(len(batch))
        changes.clear()
        with program.store.write() as conn:
            owe_sites(conn, program.settings, zone, zone_sites, on, book, reckoners, changes)
            if changes.any():
                write(conn, changes, now)
                raise_version(conn)
            group_cases(conn, on, now, program.settings.cases.group_from, zone, zone_sites)
            if marked:
                marks.clear(conn, (n for holder in _holders(zone_ids, zone_sites) for n in marked.get(holder, ())))
        add(result, changes)
    result.seconds = round(time.perf_counter() - started, 3)
    return result


# Two that reckon the same unit at once, a look round and whoever just recorded something, would write its rows twice.
_ALONE = select(fleet.c.id).with_for_update()


def _holders(unit_ids: Iterable[int], site_ids: Iterable[int]) -> list[str]:
    return [*(f"u{unit_id}" for unit_id in unit_ids), *(f"s{site_id}" for site_id in site_ids)]


def _by_zone(
    conn: Connection, unit_ids: Sequence[int], site_ids: Sequence[int]
) -> dict[str, tuple[list[int], set[int]]]:
    """By time zone: the units, and the sites, those of the units among them."""
    found: dict[str, tuple[list[int], set[int]]] = {}
    zone_and_site = select(sites.c.time_zone, sites.c.id)
    for start in range(0, len(unit_ids), 500):
        some = unit_ids[start : start + 500]
        query = zone_and_site.add_columns(units.c.id).join(units, units.c.site_id == sites.c.id)
        for zone, site_id, unit_id in conn.execute(query.where(units.c.id.in_(some)).order_by(units.c.id)):
            in_zone = found.setdefault(zone, ([], set()))
            in_zone[0].append(unit_id)
            in_zone[1].add(site_id)
    for start in range(0, len(site_ids), 500):
        for zone, site_id in conn.execute(zone_and_site.where(sites.c.id.in_(site_ids[start : start + 500]))):
            found.setdefault(zone, ([], set()))[1].add(site_id)
    return found


def _reckon(
    conn: Connection,
    ids: Sequence[int],
    on: date,
    reckoners: Reckoners,
    changes: Changes,
    findings: list[dict[str, str]],
    zone: str = "",
) -> None:
    with _without_collector():
        _compare(conn, ids, on, reckoners, changes, findings, zone)


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
    zone: str,
) -> None:
    for loaded, reckoned in reckoners.reckon(conn, ids, on, findings, zone):
        if reckoned is not None:
            changes.unit(loaded, reckoned)


def _hold(zone: str, on: date, holder: str, conn: Connection, changes: Changes, now: datetime) -> None:
    """Keeps the round in the batch's transaction and counts it; raises _Lost where another node has the round."""
    if not ledger.hold(conn, zone, on, holder, now, **_counts(changes)):
        raise _Lost


def _counts(changes: Changes) -> dict[str, int]:
    """What the ledger adds up."""
    return {"moves": len(changes.moves), "cases_opened": len(changes.opened), "cases_closed": len(changes.closed)}


def add(result: RoundResult, changes: Changes) -> None:
    """Adds what one batch did."""
    result.units += changes.units
    result.duties += changes.duties
    result.moves += len(changes.moves)
    result.cases_opened += len(changes.opened)
    result.cases_closed += len(changes.closed)


_NAMESPACE = select(fleet.c.namespace)


def changes_of(conn: Connection, program: Program, on: date, now: datetime, reckoners: Reckoners) -> Changes:
    """What a reckoning writes its findings into."""
    wanted = program.settings.cases
    # It never changes, whatever else of its row does.
    namespace = recall(conn, "namespace", (), lambda: str(conn.execute(_NAMESPACE).scalar_one()))
    limits = Limits(wanted.long_overdue_days, wanted.not_recorded_days, reckoners.is_gravest)
    return Changes(namespace, on, now, limits, closed(conn, on), notes(conn, "texts"))
