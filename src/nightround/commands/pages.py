"""Hands a person a way in without mail: `sign-in-link` prints a personal link for an operator to pass on."""

from __future__ import annotations

from datetime import timedelta

import click
from sqlalchemy import select

from ..errors import UserError
from ..letters import links
from ..store.tables import people
from .desk import Desk, pass_desk


@click.command("sign-in-link")
@click.option("--person", required=True, metavar="P", help="The person's code in the register.")
@click.option(
    "--days",
    type=click.IntRange(1, links.LONGEST_DAYS),
    default=7,
    show_default=True,
    help="How long the link is good for; whoever has it can act as that person until then.",
)
@pass_desk
def sign_in_link_command(desk: Desk, person: str, days: int) -> None:
    """Print a link that signs a person in, to be handed over in person or by a message that only they read."""
    program = desk.program
    now = program.clock()
    with program.store.read() as conn:
        found = conn.execute(
            select(people.c.name, people.c.email, people.c.person).where(people.c.person == person)
        ).first()
    if found is None:
        raise UserError(f"person {person!r} is not in the register; give the person's code")
    url = links.personal_url(program.settings, found.person, found.email, now, days)
    until = now + timedelta(days=days)
    if desk.json:
        desk.answer({"person": found.person, "url": url, "valid_until": until})
        return
    click.echo(url)
    desk.err.print(
        f"Signs in {found.name or found.person} until {until:%Y-%m-%d %H:%M} UTC; whoever has it can act in that name.",
        markup=False,
    )
