"""Brings a register file into the register: all of it or nothing, in one unit of work.

Reckoning what it marked is the caller's next step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..store import happenings
from ..store.tables import fleet
from . import sessions
from .changes import Counts, Report
from .comparing.comparison import Comparison
from .comparing.consumables import compare_parts
from .comparing.days_off import compare_absences, compare_closures
from .comparing.happenings import compare_log
from .comparing.known import Known
from .comparing.out_of_service import compare_statuses
from .comparing.persons import compare_people, compare_rota, compare_training
from .comparing.places import compare_sites
from .comparing.relocations import compare_places_of_units
from .comparing.units import compare_units
from .found import Progress, Reading
from .headings import table_of
from .reading import read
from .writing import write

Phases = Callable[[str], AbstractContextManager[Progress]]

# In this order: what a table refers to comes before it.
_TABLES = (
    compare_sites, compare_units, compare_parts, compare_people, compare_training, compare_log, compare_rota,
    compare_absences, compare_closures,
)  # fmt: skip


@contextmanager
def silently(_: str) -> Iterator[Progress]:
    """A phase that nobody watches."""
    yield lambda done, total: None


def import_file(
    program: Program,
    path: Path,
    *,
    check: bool = False,
    accept_odd: bool = False,
    dates: str | None = None,
    mapping: Path | None = None,
    source: str | None = None,
    phases: Phases = silently,
) -> Report:
    """Reads the file, compares it with the register and, unless `check` or anything is wrong, writes the difference.

    What is wrong is in the report's `problems`, all of it at once, and then nothing was written. `phases` is called
    with the name of each part of the work and gives what to tell its progress to. Raises UserError where the file as
    a whole cannot be read.
    """
    fleet_settings = program.settings.fleet
    with phases("reading") as progress:
        reading = read(
            path,
            dates=dates,
            mapping=mapping,
            source=source,
            default_zone=fleet_settings.time_zone,
            default_country=fleet_settings.country,
            progress=progress,
        )
    now = program.clock()
    if check or reading.problems:
        with program.store.read() as conn:
            return compare(conn, reading, now, accept_odd=accept_odd).report
    with program.store.write() as conn:
        # Whoever else writes to the register or the log waits here: what is compared stays true until it is written.
        conn.execute(select(fleet.c.id).with_for_update())
        comparison = compare(conn, reading, now, accept_odd=accept_odd)
        report = comparison.report
        if not report.problems:
            with phases("writing") as progress:
                report.touched = write(conn, comparison.plan, now, progress)
            sessions.sweep(conn, fleet_settings.time_zone, now)
            report.written = True
            if report.touched or report.changed_anything():
                # The caller is at what is marked now; a look round in between would only do the same at the same time.
                happenings.mark(conn, happenings.RECKONING, now, "at work")
            _note(conn, report, program.settings.watch.big_import, now)
    return report


def _note(conn: Connection, report: Report, big: int, now: datetime) -> None:
    """Writes a big import down as what it is, so that what follows from it is not taken for bad luck."""
    units, entries = report.counts.get("units", Counts()), report.counts.get("log", Counts())
    if units.added + units.changed < big and entries.added < 10 * big:
        return
    found = [
        f"{number} {'unit' if number == 1 else 'units'} {what}"
        for number, what in ((units.added, "came into the register"), (units.changed, "changed"))
        if number
    ]
    if entries.added:
        found.append(f"{entries.added} log {'entry' if entries.added == 1 else 'entries'} came in")
    happenings.record(conn, happenings.Kind.IMPORT, f"By an import, {', '.join(found)}.", now)


def compare(conn: Connection, reading: Reading, now: datetime, *, accept_odd: bool = False) -> Comparison:
    """What the import would do, and everything that is wrong with the file. Writes nothing."""
    refused = {(one.file, one.sheet, one.row, one.column) for one in reading.problems}
    # A sheet whose headings say nothing has no rows at all; what refers to them is not wrong for that.
    broken = [one for one in reading.problems if not one.column and not one.value]
    unread = {table_of(one.sheet or Path(one.file).stem) for one in broken}
    comparison = Comparison(
        reading,
        Known(conn),
        now,
        accept_odd,
        refused=frozenset(refused),
        unread=frozenset(table for table in unread if table),
    )
    comparison.report.problems += reading.problems
    comparison.report.remarks += reading.remarks
    for compare_table in _TABLES:
        compare_table(comparison)
    if comparison.filled:
        cells = "1 empty cell" if comparison.filled == 1 else f"{comparison.filled} empty cells"
        comparison.remark(f"{cells} filled from the codes of labels (udi)")
    compare_places_of_units(comparison)
    compare_statuses(comparison)
    comparison.report.problems.sort(key=lambda one: (one.file, one.sheet, one.row or 0))
    return comparison
