"""`import` and `export`: register files in and out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from ..register.changes import Report
from ..register.days import ORDERS
from ..register.exporting import export
from ..register.found import TABLES
from ..register.importing import import_file
from ..rounds.marked import take_up
from ..rounds.rulebook import load as load_rulebook
from ..rounds.tonight import RoundResult
from .desk import Desk, counted, pass_desk

_TITLES = {
    "contradiction": "the label's code says something else than what was typed",
    "label": "codes of labels that could not be read, or not wholly",
}
_SHOWN = 40  # rows of a list in a terminal; --json and a pipe get them all


@click.command("import")
@click.argument("path", metavar="PATH", type=click.Path(path_type=Path))
@click.option("--check", is_flag=True, help="Only says what it would do and what is wrong; writes nothing.")
@click.option(
    "--dates", type=click.Choice(ORDERS), help="The order of dates such as 03/04/2027, which are refused else."
)
@click.option("--accept-odd", is_flag=True, help="Keeps implausible dates, marked, instead of refusing them.")
@click.option("--mapping", metavar="FILE", type=click.Path(path_type=Path), help="What the headings mean (TOML).")
@click.option("--source", metavar="NAME", help="Who publishes the file; later files of theirs are compared with it.")
@pass_desk
def import_command(
    desk: Desk,
    path: Path,
    check: bool,
    dates: str | None,
    accept_odd: bool,
    mapping: Path | None,
    source: str | None,
) -> int | None:
    """Reads a workbook (.xlsx, .ods), a folder of CSV files or one CSV file into the register.

    All of it goes in or nothing does. What is missing from the file stays in the register and is reported. The same
    file again changes nothing.
    """
    program = desk.program
    book = load_rulebook(program.settings)  # what is wrong with the rules is said before anything is written
    report = import_file(
        program,
        path,
        check=check,
        accept_odd=accept_odd,
        dates=dates,
        mapping=mapping,
        source=source,
        phases=desk.progress,
    )
    reckoned = None
    if report.written:
        with desk.progress("reckoning"):
            # Also what an import before this one left, when it was killed.
            reckoned = take_up(program, book)
    if desk.json:
        desk.answer({"path": path, "check": check, **report.as_dict(), "reckoned": _figures(reckoned)})
    else:
        _tell(desk, report, reckoned)
    if report.problems:
        return 3 if check else 2  # looked and found problems; or bad input
    return None


@click.command("export")
@click.argument("target", metavar="DIR|FILE.xlsx", type=click.Path(path_type=Path))
@pass_desk
def export_command(desk: Desk, target: Path) -> None:
    """Writes the register and its log as a folder of CSV files or a workbook. Importing that changes nothing."""
    program = desk.program
    with desk.progress("writing") as progress:
        rows = export(program, target, progress)
    if desk.json:
        desk.answer({"target": target, "rows": rows})
        return
    desk.say(f"{target}: " + ", ".join(f"{count} {table}" for table, count in rows.items()))
    desk.say("it names people: mind who can read it")


def _figures(reckoned: RoundResult | None) -> dict[str, object] | None:
    if reckoned is None:
        return None
    told = asdict(reckoned)
    return {name: told[name] for name in ("units", "duties", "moves", "cases_opened", "cases_closed", "findings")}


def _tell(desk: Desk, report: Report, reckoned: RoundResult | None) -> None:
    for remark in report.remarks:
        desk.err.print(remark, markup=False)
    if report.problems:
        columns = ("file", "sheet", "row", "column", "value", "what is wrong, and the cure")
        desk.table(columns, [tuple(problem.as_dict().values()) for problem in report.problems])
        count = len(report.problems)
        desk.err.print(f"{count} problem{'' if count == 1 else 's'}; nothing was written", markup=False)
        return
    _list(desk, "changed", ("table", "which", "field", "old", "new"), _changes(report))
    _list(desk, "on record and not in the file; they stay", ("", "table", "which"), _missing(report))
    if report.odd:
        rows = [("odd", one.file, one.sheet, one.row, one.column, one.value, one.cure) for one in report.odd]
        _list(desk, "odd", ("", "file", "sheet", "row", "column", "value", "why"), rows)
    for title, found in (("contradiction", report.contradictions), ("label", report.warnings)):
        rows = [(title, one.file, one.sheet, one.row, one.column, one.value, one.cure) for one in found]
        _list(desk, _TITLES[title], ("", "file", "sheet", "row", "column", "value", "what to do"), rows)
    counts = [(table, *report.counts[table].as_dict().values()) for table in TABLES if table in report.counts]
    desk.table(("table", "added", "changed", "unchanged", "missing"), counts)
    if not report.written:
        desk.say("looked at only; nothing was written")
    elif reckoned is not None:
        if not report.changed_anything():
            desk.say("nothing has changed; what was written before and not reckoned is reckoned now")
        said = f"{counted(reckoned.units, 'unit')} reckoned: {counted(reckoned.duties, 'duty', 'duties')}"
        desk.say(f"{said}; see: nightround today")
    else:
        desk.say("written" if report.changed_anything() else "nothing has changed")
    for finding in reckoned.findings if reckoned is not None else ():
        desk.err.print(f"{finding['unit']} could not be reckoned: {finding['why']}", markup=False)


def _changes(report: Report) -> list[Sequence[object]]:
    return [(one.table, one.key, one.field, one.old or None, "→ " + (one.new or "–")) for one in report.changes]


def _missing(report: Report) -> list[Sequence[object]]:
    return [("missing", one.table, one.key) for one in report.missing]


def _list(desk: Desk, title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    if not rows:
        return
    few = rows[:_SHOWN] if desk.out.is_terminal else rows
    desk.table(columns, few, title)
    if len(few) < len(rows):
        desk.say(f"… and {len(rows) - len(few)} more; --json gives them all")
