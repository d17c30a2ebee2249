"""`calendar`: makes feeds that people subscribe to, lists and withdraws them, and writes one to a file."""

from __future__ import annotations

import re
from pathlib import Path

import click

from ..calendars import feed as feeds
from ..calendars import keys
from ..calendars.reading import EVENTS
from ..errors import UserError
from .desk import Desk, pass_desk
from .outfile import write_whole

_ADDRESS = re.compile(r"(?:https?|webcal)://[!-~]+")


@click.group("calendar")
def calendar_command() -> None:
    """Calendars that anybody can subscribe to who has the address."""


@calendar_command.command("add")
@click.option("--person", metavar="P", help="The sites of that person, whatever their role there.")
@click.option("--site", metavar="S", help="One site.")
@click.option("--fleet", is_flag=True, help="Every site.")
@pass_desk
def add_command(desk: Desk, person: str | None, site: str | None, fleet: bool) -> None:
    """Makes a calendar and prints its address, this once: only a hash of the key in it is stored."""
    if [person is not None, site is not None, fleet].count(True) != 1:
        raise UserError("calendar add: name one of --person P, --site S or --fleet")
    program = desk.program
    with program.store.write() as conn:
        person_id = keys.person_id(conn, person) if person is not None else None
        site_id = keys.site_id(conn, site) if site is not None else None
        feed, key = keys.add(conn, program.clock(), person_id=person_id, site_id=site_id)
    address = keys.address(program.settings, key)
    if desk.json:
        of = person or site or ""
        desk.answer({"id": feed.id, "scope": feed.scope, "of": of, "address": address, "created_at": feed.created_at})
        return
    click.echo(address)
    desk.err.print(
        f"calendar {feed.id}: whoever has this address can read it, and it is not shown again; "
        f"withdraw it with: nightround calendar withdraw {feed.id}",
        markup=False,
    )


@calendar_command.command("list")
@pass_desk
def list_command(desk: Desk) -> None:
    """Shows every calendar that was made. Addresses cannot be shown: they are not stored."""
    with desk.program.store.read() as conn:
        found = keys.listed(conn)
    if desk.json:
        desk.answer(
            [
                {
                    "id": item.feed.id,
                    "scope": item.feed.scope,
                    "of": item.of,
                    "name": item.name,
                    "created_at": item.feed.created_at,
                    "withdrawn_at": item.feed.withdrawn_at,
                }
                for item in found
            ]
        )
        return
    desk.table(
        ("id", "scope", "of", "name", "made", "withdrawn"),
        (
            (
                item.feed.id,
                item.feed.scope,
                item.of,
                item.name,
                f"{item.feed.created_at:%Y-%m-%d}",
                f"{item.feed.withdrawn_at:%Y-%m-%d}" if item.feed.withdrawn_at is not None else None,
            )
            for item in found
        ),
    )


@calendar_command.command("withdraw")
@click.argument("number", metavar="ID", type=int)
@pass_desk
def withdraw_command(desk: Desk, number: int) -> None:
    """Withdraws a calendar for good: its address is answered with 404 from now on."""
    program = desk.program
    with program.store.write() as conn:
        since = keys.withdraw(conn, number, program.clock())
    if desk.json:
        desk.answer({"id": number, "withdrawn_at": since})
    else:
        desk.say(f"calendar {number} is withdrawn since {since:%Y-%m-%d %H:%M} UTC")


@calendar_command.command("write")
@click.argument("number", metavar="ID", type=int)
@click.option("--out", required=True, metavar="FILE.ics", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--kind", type=click.Choice(feeds.KINDS), default=EVENTS, show_default=True)
@click.option("--source", metavar="URL", default="", help="Where readers will fetch the file from; written into it.")
@pass_desk
def write_command(desk: Desk, number: int, out: Path, kind: str, source: str) -> None:
    """Writes a calendar to a file, whole or not at all: the bytes that its address serves.

    Only the line SOURCE differs: it names the address to fetch again, which holds the key and is known to nobody here.
    """
    if source and not _ADDRESS.fullmatch(source):
        raise UserError(f"--source: {source!r} is not an address; write it as https://example.org/FILE.ics")
    program = desk.program
    with program.store.read() as conn:
        feed = keys.get(conn, number)
    if feed.withdrawn_at is not None:
        raise UserError(f"calendar {number} was withdrawn on {feed.withdrawn_at:%Y-%m-%d}; make another: calendar add")
    built = feeds.build(program, feed, kind, source)
    write_whole(out, built.body)
    counts = built.counts
    if desk.json:
        desk.answer({"id": number, "file": out, "kind": kind, "bytes": len(built.body), **counts._asdict()})
        return
    more = f", {counts.not_recorded} without a date" if counts.not_recorded else ""
    desk.say(f"{out}: {counts.shown} {'duty' if counts.shown == 1 else 'duties'}{more}")
