"""Takes up what was recorded and is not reckoned yet: what a process left that died between the two, or could not do.

Whoever records something reckons it at once; this is for what is left of that. Twice finds nothing more to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..register.notices import current
from ..store import happenings, marks
from ..store.tables import notices
from .atonce import reckon_people
from .notices import look_over, to_reckon
from .rulebook import RuleBook
from .rulebook import load as load_rulebook
from .tonight import Progress, RoundResult, reckon_units

# Who takes up much says so as it goes. One that has said nothing for so long has died, and another takes it up.
SILENT = timedelta(minutes=2)


def take_up(
    program: Program,
    book: RuleBook | None = None,
    progress: Progress | None = None,
    *,
    patient: bool = False,
) -> RoundResult | None:
    """Reckons for the civil date now at each site all that is marked, and clears its marks; None where nothing is.

    With `patient`, leaves it to another process that is at it; a person who asks for it does not wait. Whatever
    `progress` raises ends it: what is not finished stays marked.
    """
    with program.store.read() as conn:
        left = marks.waiting(conn)
        if not left or (patient and _others(conn, program.clock())):
            return None
    book = book or load_rulebook(program.settings)

    def at_work() -> None:
        with program.store.write() as conn:
            happenings.mark(conn, happenings.RECKONING, program.clock(), "at work")

    def done(number: int) -> None:
        at_work()
        if progress is not None:
            progress(number)

    at_work()
    numbers = _numbers(left, "u"), _numbers(left, "s")
    with program.store.read() as conn:
        about = _about(conn, _numbers(left, "n"), book, program.clock())
    units, sites = (found | more for found, more in zip(numbers, about, strict=True))
    result = reckon_units(program, units, book, site_ids=sites, progress=done)
    if any(mark.holder == marks.EVERYBODY for mark in left):
        result.add(reckon_people(program, book))
    with program.store.write() as conn:
        marks.clear(conn, (mark.id for mark in left))
        happenings.mark(conn, happenings.RECKONING, program.clock())
    return result


def _others(conn: Connection, now: datetime) -> bool:
    said = happenings.beat(conn, happenings.RECKONING)
    return said is not None and bool(said.note) and timedelta() <= now - said.at < SILENT


def _numbers(left: Iterable[marks.Mark], letter: str) -> set[int]:
    return {int(mark.holder[1:]) for mark in left if mark.holder[0] == letter and mark.holder != marks.EVERYBODY}


def _about(conn: Connection, notice_ids: set[int], book: RuleBook, now: datetime) -> tuple[set[int], set[int]]:
    """The units and the sites that the notices are about, in the version that is in force now."""
    if not notice_ids:
        return set(), set()
    named = set(conn.execute(select(notices.c.reference).where(notices.c.id.in_(notice_ids))).scalars())
    units: set[int] = set()
    sites: set[int] = set()
    for one in look_over(conn, [notice for notice in current(conn) if notice.reference in named], book.sheets, now):
        unit_ids, site_ids = to_reckon(conn, one)
        units |= set(unit_ids)
        sites |= set(site_ids)
    return units, sites
