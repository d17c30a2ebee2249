"""`sessions`: who is signed in to the pages, and an end to it."""

from __future__ import annotations

from dataclasses import asdict

import click
from sqlalchemy import select, true

from ..errors import UserError
from ..register import sessions
from ..store.tables import people
from .desk import Desk, counted, pass_desk


@click.group("sessions", invoke_without_command=True)
@click.option("--person", metavar="P", help="Only those of that person.")
@click.pass_context
def sessions_command(ctx: click.Context, person: str | None) -> None:
    """Who is signed in to the pages, since when, and until when. `sessions end` signs people out."""
    if ctx.invoked_subcommand is not None:
        if person is not None:
            raise click.UsageError("--person belongs after the word end: nightround sessions end --person P")
        return
    desk: Desk = ctx.obj
    program = desk.program
    _refuse_unknown(desk, person)
    with program.store.read() as conn:
        of = true() if person is None else people.c.person == person
        found = sessions.listed(conn, program.clock(), of)
    if desk.json:
        desk.answer([asdict(one) for one in found])
        return
    columns = ("session", "person", "name", "since", "until", "on")
    rows = [
        (one.id, one.person, one.name, f"{one.began_at:%Y-%m-%d %H:%M} UTC", f"{one.ends_at:%Y-%m-%d} UTC", one.device)
        for one in found
    ]
    desk.table(columns, rows)
    if not found:
        desk.say("Nobody is signed in." if person is None else f"{person} is not signed in.")


@sessions_command.command("end")
@click.argument("numbers", metavar="[SESSION]...", nargs=-1, type=int)
@click.option("--person", metavar="P", help="All sessions of that person.")
@click.option("--all", "everybody", is_flag=True, help="All sessions of everybody.")
@pass_desk
def end_command(desk: Desk, numbers: tuple[int, ...], person: str | None, everybody: bool) -> None:
    """Signs people out: the sessions of those numbers, or all of one person or of everybody."""
    if bool(numbers) + (person is not None) + everybody != 1:
        raise click.UsageError("say which: numbers as `sessions` lists them, --person P, or --all")
    program = desk.program
    _refuse_unknown(desk, person)
    with program.store.write() as conn:
        found = {one.id: one for one in sessions.listed(conn, program.clock())}
        if missing := [number for number in numbers if number not in found]:
            raise UserError(f"session {missing[0]} is not there, or has ended; see: nightround sessions")
        wanted = [one for one in found.values() if everybody or one.id in numbers or one.person == person]
        sessions.end(conn, [one.id for one in wanted])
    if desk.json:
        desk.answer({"ended": sorted(one.id for one in wanted)})
        return
    desk.say(f"{counted(len(wanted), 'session')} ended.")


def _refuse_unknown(desk: Desk, person: str | None) -> None:
    if person is None:
        return
    with desk.program.store.read() as conn:
        if conn.execute(select(people.c.id).where(people.c.person == person)).first() is None:
            raise UserError(f"person {person!r} is not in the register; give the person's code")
