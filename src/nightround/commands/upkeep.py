"""`migrate`, `backup`, `restore` and `verify`: the operator's commands."""

from __future__ import annotations

from pathlib import Path

import click

from .. import sweeping
from ..errors import Failure, UserError
from ..register.log import verify_chain
from ..register.rereading import read_anew
from ..rounds.marked import take_up
from ..store import schema, upkeep
from ..store.database import Store, open_store
from .desk import Desk, pass_desk
from .findings import Finding, look_at_mail, look_over
from .post import post_test


@click.command("migrate")
@pass_desk
def migrate_command(desk: Desk) -> None:
    """Brings the database to the newest schema."""
    store = open_store(desk.settings.database_url())
    try:
        have = schema.current(store)
        if have is not None and not schema.knows(have):
            raise UserError(f"the database has schema {have}, which is newer than this program; install a newer one")
        schema.migrate(store, desk.clock())
        with desk.progress("reading the log") as progress:
            anew = read_anew(store, desk.clock(), progress)
    finally:
        store.close()
    if anew:
        with desk.progress("reckoning"):
            take_up(desk.program)
    if desk.json:
        desk.answer({"from": have, "to": schema.newest()})
    elif have == schema.newest():
        desk.say(f"the database has the newest schema already, {have}")
    else:
        desk.say(f"migrated from {have or 'nothing'} to {schema.newest()}")


@click.command("backup")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@pass_desk
def backup_command(desk: Desk, file: Path) -> None:
    """Writes one consistent copy of the database to FILE while the service runs, and checks the copy."""
    program = desk.program
    sweeping.note_copies(program, file.absolute().parent)
    with desk.progress("copying") as progress:
        copied = upkeep.back_up(program.store, file, program.clock(), progress)
    if desk.json:
        desk.answer({"file": file, "schema": copied.schema, "rows": copied.rows})
        return
    desk.say(f"{file}: {copied.total} rows, opened again and counted")
    desk.say(
        "keep it with the settings file and the key file, which are not in it; it names people: mind who can read it"
    )


@click.command("restore")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@pass_desk
def restore_command(desk: Desk, file: Path) -> None:
    """Fills an empty database from a copy that `backup` wrote, on either kind of database."""
    store = open_store(desk.settings.database_url())
    try:
        with desk.progress("restoring") as progress:
            copied = upkeep.restore(store, file, desk.clock(), progress)
        _chain_holds(store)
        read_anew(store, desk.clock())
    finally:
        store.close()
    if desk.json:
        desk.answer({"file": file, "schema": copied.schema, "rows": copied.rows})
        return
    desk.say(f"restored {copied.total} rows from {file}; the log's chain holds")
    desk.say("letters that were sent after the copy was made may go out once more")


def _chain_holds(store: Store) -> None:
    with store.read() as conn:
        broken = verify_chain(conn)
    if broken is not None:
        raise Failure(f"the copy is restored, but its log was changed: entry {broken.entry_id}: {broken.why}")


@click.command("verify")
@click.option("--mail-to", metavar="ADDRESS", help="Also sends a test letter there.")
@pass_desk
def verify_command(desk: Desk, mail_to: str | None) -> int:
    """Looks over settings, database, packs, people, log and mail; says what is wrong and how to mend it.

    Exit status 3 where it finds something.
    """
    findings = list(look_over(desk))
    lost = {finding.where for finding in findings}
    if "settings" not in lost:
        if mail_to is not None and "database" not in lost:
            trouble = post_test(desk.program, mail_to)
            if trouble:
                findings.append(Finding("mail", trouble, "until then letters wait in the letter box"))
            else:
                desk.err.print(f"a test letter went to {mail_to}: see that it arrives", markup=False)
        else:
            findings += look_at_mail(desk.settings)
    if desk.json:
        desk.answer([finding._asdict() for finding in findings])
    elif not findings:
        desk.say("nothing found")
    else:
        desk.table(("where", "found", "cure"), findings)
    return 3 if findings else 0
