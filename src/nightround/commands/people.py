"""`person`: lists who is in the register, and records who leaves and who takes over."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import click
from sqlalchemy import select

from ..reckoning.certificates import in_date_until, rules_of
from ..reckoning.dates import local_day
from ..reckoning.facts import Place
from ..reckoning.rules import binding
from ..register import sessions
from ..register.leaving import leave, training_kept_until
from ..rounds.atonce import reckon_people
from ..rounds.people import load_people
from ..rounds.rulebook import RuleBook
from ..rounds.rulebook import load as load_rulebook
from ..rounds.tonight import reckon_units
from ..store.tables import fleet, people, person_roles, person_sites, sites
from .desk import Desk, pass_desk

_DAY = click.DateTime(formats=["%Y-%m-%d"])
_AT_ONCE = 500


@click.group("person")
def person_command() -> None:
    """Who is in the register, and who leaves."""


@person_command.command("list")
@click.option("--site", metavar="S", help="Only people of this site; those of the whole fleet too.")
@click.option("--left", "only_left", is_flag=True, help="Only those who have left or have a last day.")
@pass_desk
def list_command(desk: Desk, site: str | None, only_left: bool) -> None:
    """Everybody, with roles, sites, last day, and until when a certificate of theirs is in date.

    The certificate is that which holds longest; one without a date on record counts for nothing.
    """
    program = desk.program
    day = local_day(program.clock(), program.settings.fleet.time_zone)
    book = load_rulebook(program.settings)
    with program.store.read() as conn:
        found = _everybody(conn, book, day)
    if site is not None:
        found = [row for row in found if site in row["sites"] or row["sites"] == ["*"]]
    if only_left:
        found = [row for row in found if row["left_on"] is not None]
    if desk.json:
        desk.answer(found)
        return
    columns = ("person", "name", "roles", "sites", "in date until", "last day", "training kept to")
    rows = [
        (
            row["person"],
            row["name"],
            ", ".join(row["roles"]),
            ", ".join(row["sites"][:4]) + (" …" if len(row["sites"]) > 4 else ""),
            row["in_date_until"] or ("no date on record" if row["certificates"] else None),
            row["left_on"],
            row["training_kept_until"],
        )
        for row in found
    ]
    desk.table(columns, rows)
    if not rows:
        desk.say("Nobody of that kind is in the register.")


def _everybody(conn: Any, book: RuleBook, day: date) -> list[dict[str, Any]]:
    roles: dict[int, list[str]] = {}
    for person_id, role in conn.execute(select(person_roles).order_by(person_roles.c.role)):
        roles.setdefault(person_id, []).append(role)
    places: dict[int, list[str]] = {}
    query = select(person_sites.c.person_id, sites.c.site).join(sites, sites.c.id == person_sites.c.site_id)
    for person_id, code in conn.execute(query.order_by(sites.c.site)):
        places.setdefault(person_id, []).append(code)
    rows = conn.execute(select(people).order_by(people.c.person)).all()
    loaded = {person.id: person for person in load_people(conn, [row.id for row in rows])}
    found = []
    for row in rows:
        person = loaded[row.id]
        about = rules_of(book.rules, sorted(person.places), day)
        kept = [rule for place in sorted(person.places) for rule in binding(book.rules, _bare(place), day)]
        found.append(
            {
                "person": row.person,
                "name": row.name,
                "email": row.email,
                "roles": roles.get(row.id, []),
                "sites": ["*"] if row.whole_fleet else places.get(row.id, []),
                "certificates": [one.name for one in person.certificates],
                "in_date_until": in_date_until(day, person.certificates, about),
                "left_on": row.left_on,
                "has_left": row.left_on is not None and day > row.left_on,
                "training_kept_until": training_kept_until(kept, row.left_on) if person.certificates else None,
            }
        )
    return found


def _bare(place: Place) -> Place:
    return place._replace(time_zone="")


@person_command.command("leave")
@click.argument("person", metavar="PERSON")
@click.option("--on", type=_DAY, metavar="DATE", help="The last day with us (default: today in the fleet's zone).")
@click.option("--replaced-by", metavar="P", default="", help="Who takes over their roles and sites, at once.")
@click.option("--stays", is_flag=True, help="Takes the last day back: they stay, or are back.")
@pass_desk
def leave_command(desk: Desk, person: str, on: datetime | None, replaced_by: str, stays: bool) -> int | None:
    """Records the last day of somebody who leaves.

    From the day after they get no letters, count for nothing, and their calendars and links stop; what they wrote into
    the log stays. Sites of which nobody is left who can be reached are said, now if the day is past, else that night.
    """
    program = desk.program
    if stays and (on is not None or replaced_by):
        raise click.UsageError("--stays goes with neither --on nor --replaced-by")
    day = None if stays else on.date() if on else local_day(program.clock(), program.settings.fleet.time_zone)
    book = load_rulebook(program.settings)
    with program.store.write() as conn:
        conn.execute(select(fleet.c.id).with_for_update())  # an import that is under way waits here
        left = leave(conn, person, day, replaced_by, now=program.clock())
        sessions.sweep(conn, program.settings.fleet.time_zone, program.clock())
    with desk.progress("reckoning people"):
        reckoned = reckon_people(program, book)
        if left.units:
            reckoned.add(reckon_units(program, left.units, book))
    recorded = {name: value for name, value in left._asdict().items() if name != "units"}
    told = recorded | {name: getattr(reckoned, name) for name in ("moves", "cases_opened", "cases_closed")}
    if desk.json:
        desk.answer(told)
        return None
    if day is None:
        desk.say(f"{person} stays; the last day on record was {left.before or 'none'}.")
    else:
        desk.say(f"The last day of {person} is {day}. From the day after they get no letters and count for nothing.")
    if replaced_by:
        desk.say(f"{replaced_by} takes over: {', '.join(left.taken_over) or 'had all of it already'}.")
    desk.say(f"{reckoned.moves} moves, {reckoned.cases_opened} cases opened; see: nightround today")
    return None
