"""`letter`: shows a weekly letter as it would be sent, or writes it to a file. Stores nothing, sends nothing."""

from __future__ import annotations

import re
from datetime import date, datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

import click
from sqlalchemy import Connection, select

from ..bootstrap import Program
from ..errors import UserError
from ..letters import weekly
from ..letters.audience import WEEKLY_ROLES, Reader, readers
from ..letters.situation import Reckoned
from ..reckoning.dates import local_day
from ..rounds.rulebook import load as load_rulebook
from ..store.tables import messages
from .desk import Desk, pass_desk, visible

_WEEK = re.compile(r"(\d{4})-W(\d{2})")


@click.command("letter")
@click.option("--to", "person", metavar="PERSON", help="The reader's code (default: the coordinator of the fleet).")
@click.option("--week", metavar="2026-W48", help="An ISO week (default: the present one).")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.eml", help="Write it there.")
@pass_desk
def letter_command(desk: Desk, person: str | None, week: str | None, out: Path | None) -> None:
    """The weekly letter as it would be sent: the present week's from what the last round found, another week's
    reckoned for that week, and one already sent in a week that is over as it was. Changes nothing."""
    program = desk.program
    now = program.clock()
    with program.store.read() as conn:
        reader = _reader(conn, program, person)
        present = weekly.iso_week(local_day(now, reader.zone))
        body = _body(conn, program, reader, week or present, present, now)
    message = message_from_bytes(body, policy=default)
    assert isinstance(message, EmailMessage)
    if out is not None:
        try:
            out.write_bytes(body)
        except OSError as error:
            raise UserError(f"--out: {out} cannot be written ({error.strerror}); name another file") from None
    if desk.json:
        desk.answer(
            {
                "person": reader.person,
                "week": week or present,
                "to": str(message["To"]),
                "subject": str(message["Subject"]),
                "text": _part(message, "plain"),
                "html": _part(message, "html"),
                "file": out,
            }
        )
    elif out is None:
        said = f"To: {message['To']}\nSubject: {message['Subject']}\n\n{_part(message, 'plain')}"
        click.echo(visible(said), nl=False)
    else:
        desk.say(f"{message['Subject']}\nwritten to {out}")


def _part(message: EmailMessage, kind: str) -> str:
    part = message.get_body((kind,))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


def _reader(conn: Connection, program: Program, person: str | None) -> Reader:
    """The reader named; without a name whoever looks after most: the whole fleet before some sites, then coordinators
    before managers."""
    everybody = readers(conn, program.settings, WEEKLY_ROLES, at=program.clock())
    if not everybody:
        raise UserError(
            "nobody is coordinator or manager, so nobody gets a weekly letter; name one in the people's file"
        )
    if person is None:
        return min(everybody, key=lambda r: (not r.whole_fleet, "coordinator" not in r.roles, r.person))
    for reader in everybody:
        if reader.person == person:
            return reader
    known = ", ".join(reader.person for reader in everybody[:20])
    raise UserError(f"person {person!r} gets no weekly letter; coordinators and managers are: {known}")


def _body(conn: Connection, program: Program, reader: Reader, week: str, present: str, now: datetime) -> bytes:
    day = _letter_day(week, program.settings.letters.weekday)
    if week == present:
        return weekly.letter_of(conn, program.settings, reader, week, now).body
    if week < present:
        kept = select(messages.c.body).where(messages.c.key == weekly.key(reader, week))
        body: bytes | None = conn.execute(kept).scalar_one_or_none()
        if body is not None:
            return body
    rows = Reckoned(conn, load_rulebook(program.settings), reader.sites(), day, program.settings)
    return weekly.letter_of(conn, program.settings, reader, week, now, on=day, situation=rows).body


def _letter_day(week: str, weekday: int) -> date:
    """The day of that ISO week on which letters go. Raises UserError where it is no week."""
    found = _WEEK.fullmatch(week)
    try:
        if found is None:
            raise ValueError
        return date.fromisocalendar(int(found[1]), int(found[2]), weekday)
    except ValueError:
        raise UserError(f"--week {week!r} is not an ISO week; write it as 2026-W48") from None
