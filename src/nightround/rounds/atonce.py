"""Reckons people and the people of sites at once, after certificates, roles, sites or a last day changed by day."""

from __future__ import annotations

import time
from collections.abc import Collection

from ..bootstrap import Program
from ..reckoning.dates import local_day
from ..store import marks
from ..store.database import raise_version
from .grouping import group_cases
from .loading import zones
from .personal import compare_people
from .reckoners import Reckoners
from .rulebook import RuleBook
from .rulebook import load as load_rulebook
from .staff import owe_sites
from .tonight import RoundResult, add, changes_of
from .writing import write


def reckon_people(
    program: Program, book: RuleBook | None = None, person_ids: Collection[int] | None = None
) -> RoundResult:
    """All people, or only these, and every site for its people, for the civil date now in each zone.

    Writes duties, moves and cases as a round does; the ledger is not touched. Of everybody, the marks for everybody
    that were there before are cleared at the end.
    """
    book = book or load_rulebook(program.settings)
    now = program.clock()
    result = RoundResult(local_day(now, program.settings.fleet.time_zone), "")
    started = time.perf_counter()
    with program.store.read() as conn:
        reckoners = Reckoners(book, conn)
        listed = zones(conn)
        marked = marks.of(conn, [marks.EVERYBODY]) if person_ids is None else {}
    for zone in listed:
        on = local_day(now, zone)
        with program.store.read() as conn:
            changes = changes_of(conn, program, on, now, reckoners)
        for _ in compare_people(program, zone, on, book, changes, result.findings, only=person_ids):
            add(result, changes)
        changes.clear()
        with program.store.write() as conn:
            owe_sites(conn, program.settings, zone, None, on, book, reckoners, changes)
            if changes.any():
                write(conn, changes, now)
                raise_version(conn)
            group_cases(conn, on, now, program.settings.cases.group_from, zone)
        add(result, changes)
    if marked:
        with program.store.write() as conn:
            marks.clear(conn, marked[marks.EVERYBODY])
    result.seconds = round(time.perf_counter() - started, 3)
    return result
