"""`notice`: adds safety notices, shows the units they mean, and records what has been done about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

import click
from sqlalchemy import Connection, select

from ..errors import UserError
from ..reckoning.notices import Finding, Notice
from ..reckoning.readings import CORRECTED, STAGES
from ..register.log import NewEntry
from ..register.noticefile import read_notice
from ..register.notices import Version, add, current, known_reference, versions
from ..register.recording import record
from ..rounds.marked import take_up
from ..rounds.notices import ASKING, Looked, Touched, as_answer, is_news, look_over, to_reckon
from ..rounds.rulebook import load as load_rulebook
from ..rounds.tonight import reckon_units
from ..store.tables import people
from .desk import Desk, counted, pass_desk, visible
from .logbook import instant_at
from .notice_lines import lay_out

_UNDERWAY, _COMPLETE, _NOT_CONCERNED = STAGES


@click.group("notice")
def notice_command() -> None:
    """Safety notices and recalls: which units they mean, and what is still to do."""


@notice_command.command("add")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@pass_desk
def add_command(desk: Desk, file: Path) -> None:
    """Adds the notice in FILE (TOML), or its follow-up, and reckons at once the units it touches."""
    program = desk.program
    given, text = read_notice(file)
    book = load_rulebook(program.settings)
    now = program.clock()
    with program.store.write() as conn:
        added = add(conn, given, text, now)
    with desk.progress("looking over the fleet") as show, program.store.read() as conn:
        notice = _current(conn, given.reference)
        one = look_over(conn, [notice], book.sheets, now, show)[0]
        older = _older(versions(conn), notice)
        unit_ids, _ = to_reckon(conn, one)
    with desk.progress("reckoning") as show:
        # Whatever the notice is about is marked, also where the one who added it was killed.
        result = take_up(program, book, _counting(show, len(unit_ids)))
    for finding in result.findings if result is not None else ():
        desk.err.print(f"set aside: unit {finding['unit']}: {finding['why']}", markup=False)
    if desk.json:
        desk.answer({"added": added, **as_answer(one, older)})
        return
    what = "added" if added else "on record already"
    desk.say(f"Notice {given.reference}, version {given.version}: {what}.")
    lay_out(desk, [one], {notice.reference: older})


@notice_command.command("list")
@click.argument("reference", required=False)
@pass_desk
def list_command(desk: Desk, reference: str | None) -> int:
    """Each notice (or only REFERENCE) in its highest version, with the units it means, cannot tell of, or meant.

    Exit status 3 where one still asks for something.
    """
    program = desk.program
    with desk.progress("looking over the fleet") as show, program.store.read() as conn:
        found = current(conn)
        if reference is not None:
            wanted = known_reference(conn, reference)
            found = tuple(notice for notice in found if notice.reference == wanted)
        sheets = load_rulebook(program.settings).sheets
        looked = look_over(conn, found, sheets, program.clock(), show)
        kept = versions(conn)
    older = {one.notice.reference: _older(kept, one.notice) for one in looked}
    if desk.json:
        desk.answer([as_answer(one, older[one.notice.reference]) for one in looked])
    elif not looked:
        desk.say("No notice is on record.")
    else:
        lay_out(desk, looked, older)
    return 3 if any(one.standings for one in looked) else 0


@notice_command.command("show")
@click.argument("reference")
@click.option("--version", "number", type=int, metavar="N", help="An earlier version (default: the highest).")
@pass_desk
def show_command(desk: Desk, reference: str, number: int | None) -> None:
    """Prints the notice REFERENCE as it was added, in any of its versions."""
    with desk.program.store.read() as conn:
        kept = versions(conn, reference)
    found = next((version for version in kept if number in (None, version.version)), None)
    if found is None:
        listed = ", ".join(str(version.version) for version in kept)
        raise UserError(f"notice {kept[0].reference} has no version {number} on record; there are: {listed}")
    if desk.json:
        desk.answer({**found._asdict(), "versions": [version.version for version in kept]})
        return
    click.echo(visible(found.file), nl=not found.file.endswith("\n"))


@notice_command.command("mark")
@click.argument("reference")
@click.argument("what", metavar="WHAT", type=click.Choice([*STAGES, CORRECTED]))
@click.argument("codes", metavar="[UNIT]...", nargs=-1)
@click.option("--all", "everyone", is_flag=True, help="Every unit it asks something of (underway and complete only).")
@click.option("--by", "person", required=True, metavar="PERSON", help="Who did it: a person's code.")
@click.option("--at", metavar="ISO", help="When; without an offset, the site's local time (default: now).")
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@pass_desk
def mark_command(
    desk: Desk,
    reference: str,
    what: str,
    codes: tuple[str, ...],
    everyone: bool,
    person: str,
    at: str | None,
    note: str,
) -> None:
    """Records for UNITs what was done about the notice REFERENCE: one log entry each.

    WHAT is underway, complete (all that is asked for in time is in place), corrected, or not-concerned, which counts
    only where the record cannot tell.
    """
    if bool(codes) == everyone:
        raise UserError("notice mark: name the units, or give --all")
    if everyone and what not in (_UNDERWAY, _COMPLETE):
        raise UserError(f"notice mark {what}: is said of one unit at a time; name those that were seen to")
    program = desk.program
    now = program.clock()
    book = load_rulebook(program.settings)
    with program.store.read() as conn:
        notice = _current(conn, known_reference(conn, reference))
        if conn.execute(select(people.c.id).where(people.c.person == person)).first() is None:
            raise UserError(f"--by: person {person!r} is not in the register; give a person's code")
        one = look_over(conn, [notice], book.sheets, now)[0]
    chosen = [touched for touched in one.units if touched.finding in ASKING] if everyone else _named(one, codes, what)
    entries = [
        _entry(notice, touched, what, person, instant_at(at, touched.zone, now), note)
        for touched in chosen
        if is_news(touched, what)
    ]
    with program.store.write() as conn:
        for entry in entries:
            record(conn, entry, now)
    unit_ids = [entry.unit_id for entry in entries]
    with desk.progress("reckoning") as show:
        reckon_units(program, unit_ids, book, progress=_counting(show, len(unit_ids)))
    passed = len(chosen) - len(entries)
    if desk.json:
        done = {entry.unit_id for entry in entries}
        listed = [touched.unit for touched in chosen if touched.unit_id in done]
        desk.answer({"reference": notice.reference, "what": what, "units": listed, "already": passed})
        return
    before = f"; {passed} had it on record already" if passed else ""
    desk.say(f"Notice {notice.reference}: {what} recorded for {counted(len(entries), 'unit')}{before}.")


def _counting(show: Callable[[int, int | None], None], total: int) -> Callable[[int], None]:
    """Adds up the batches for whoever watches."""
    done = 0

    def more(number: int) -> None:
        nonlocal done
        done += number
        show(done, total)

    return more


def _current(conn: Connection, reference: str) -> Notice:
    return next(notice for notice in current(conn) if notice.reference == reference)


def _older(kept: Sequence[Version], notice: Notice) -> list[int]:
    return [v.version for v in kept if v.reference == notice.reference and v.version != notice.version]


def _named(one: Looked, codes: Sequence[str], what: str) -> list[Touched]:
    """The units with these codes. Raises UserError for one that the notice does not mean."""
    known = {touched.unit: touched for touched in one.units}
    reference = one.notice.reference
    for code in codes:
        if code not in known:
            raise UserError(
                f"unit {code!r} is not in the register, or notice {reference} does not mean it; see: "
                f"nightround notice list {reference}"
            )
        if what == _NOT_CONCERNED and known[code].finding is Finding.MATCHES:
            raise UserError(
                f"unit {code}: notice {reference} means it by what is on record ({known[code].why}); "
                "where that is wrong, correct the register"
            )
    return [known[code] for code in dict.fromkeys(codes)]


def _entry(notice: Notice, touched: Touched, what: str, person: str, at: datetime, note: str) -> NewEntry:
    readings = {"notice": notice.reference}
    if what != CORRECTED:
        readings["stage"] = what
    entry = CORRECTED if what == CORRECTED else "reported"
    return NewEntry(touched.unit_id, at, entry, person, readings, note=note.strip())
