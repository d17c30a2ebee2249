"""`rehearse`: the coming days on paper: which message would go to whom, and when. Writes nothing, sends nothing."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from ..errors import UserError
from ..rehearsal.calendar import written
from ..rehearsal.programme import Message, Programme
from ..rehearsal.rehearsing import LONGEST_DAYS, coming_days, rehearse
from .desk import Desk, pass_desk

SHOWN_CODES = 5


@click.command("rehearse")
@click.option(
    "--from", "first", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="The first day; else from now."
)
@click.option("--days", type=click.IntRange(1, LONGEST_DAYS), default=30, show_default=True, help="How many days.")
@click.option(
    "--suppose", type=click.Path(path_type=Path), metavar="FILE", help="A TOML file of what may happen in these days."
)
@click.option(
    "--ics", type=click.Path(path_type=Path), metavar="FILE", help="Also writes the messages as a calendar file."
)
@click.option("--full", is_flag=True, help="With --json: also what would reach nobody, and what is open at the end.")
@pass_desk
def rehearse_command(
    desk: Desk, first: datetime | None, days: int, suppose: Path | None, ics: Path | None, full: bool
) -> None:
    """Runs rounds, ladders and letters over the coming days in memory: who would get what, when.

    Nothing is written to the database and nothing is sent.
    """
    program = desk.program
    made_at = program.clock()
    wanted = coming_days(program, days, None if first is None else first.date())
    with desk.progress("rehearsing") as progress:
        found = rehearse(program, wanted, suppose, progress)
    if ics is not None:
        try:
            ics.write_bytes(written(program.settings, found, made_at))
        except OSError as error:
            raise UserError(f"{ics} cannot be written ({error.strerror}); name another file") from None
    if desk.json:
        desk.answer(found.as_dict() if full else [message.as_dict() for message in found.messages])
    else:
        _show(desk, found)
    for note in found.notes:
        desk.err.print(f"note: {note}", markup=False)


def _show(desk: Desk, found: Programme) -> None:
    zone = ZoneInfo(desk.settings.fleet.time_zone)

    def when(at: datetime | None) -> str:
        return "still waiting" if at is None else f"{at.astimezone(zone):%a %Y-%m-%d %H:%M}"

    def rows(listed: tuple[Message, ...]) -> list[tuple[object, ...]]:
        return [(when(one.at), one.to, one.kind, _codes(one.about), one.subject) for one in listed]

    desk.say(
        f"From {when(found.start)} to {when(found.end)} ({zone.key}), if nothing else happens: "
        f"{len(found.messages)} messages. Nothing was sent."
    )
    desk.table(("when", "to", "kind", "about", "subject"), rows(found.messages))
    if found.unsent:
        desk.say("Reach nobody by then")
        said = [(*row, one.answer) for row, one in zip(rows(found.unsent), found.unsent, strict=True)]
        desk.table(("given up", "to", "kind", "about", "subject", "answer"), said)
    if found.findings:
        desk.say("To be mended")
        desk.table(
            ("from", "to", "what"), [(when(one.first_at), when(one.last_at), one.what) for one in found.findings]
        )
    if found.cases:
        desk.say("Open at the end")
        listed = [
            (
                case["case"],
                case["severity"],
                case["said"],
                case["unit"] or case["site"] or case["person"] or case["zone"],
                case["opened_on"],
                ", ".join(one["person"] for one in case["told"]) or "nobody",
            )
            for case in found.cases
        ]
        desk.table(("case", "severity", "state", "about", "since", "told"), listed)


def _codes(about: tuple[str, ...]) -> str:
    more = f" and {len(about) - SHOWN_CODES} more" if len(about) > SHOWN_CODES else ""
    return ", ".join(about[:SHOWN_CODES]) + more
