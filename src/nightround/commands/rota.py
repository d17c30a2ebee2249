"""`rota`, `away`, `close-site`: who is on call when, who is away, and which sites are closed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import click
from sqlalchemy import select

from ..bootstrap import Program
from ..cases.absences import absences_between, day_starts, first_known
from ..cases.rota.roster import Rota
from ..cases.rota.saying import names, said
from ..errors import UserError
from ..reckoning.dates import local_day
from ..register.closures import all_closures, spell_on
from ..register.days_off import add_absence, add_closure, remove_absence, remove_closure
from ..rounds.tonight import reckon_units
from ..store.tables import sites, units
from .desk import Desk, pass_desk

DAY = click.DateTime(formats=["%Y-%m-%d"])
_AHEAD = timedelta(days=365 * 50)  # of absences to list


def in_zone(zone: ZoneInfo) -> Callable[[datetime], str]:
    """How an instant is written for the reader of a command: the clock of that zone, with its offset's name."""
    return lambda at: f"{at.astimezone(zone):%Y-%m-%d %H:%M} {at.astimezone(zone).tzname()}"


@click.command("rota")
@click.option(
    "--days", type=click.IntRange(1, 366), metavar="N", help="How many days to show (default: the settings')."
)
@click.option("--on", type=DAY, metavar="DATE", help="From the start of that day instead of from now.")
@pass_desk
def rota_command(desk: Desk, days: int | None, on: datetime | None) -> int:
    """Who is on call: now, next, and when. Exit status 3 for a gap within 14 days and for what cannot be read."""
    program = desk.program
    zone = first_known(program.settings.fleet.time_zone)
    at = program.clock() if on is None else day_starts(on.date(), zone)
    shown = days or program.settings.rota.horizon_days
    end = at + timedelta(days=shown)
    with program.store.read() as conn:
        # Looked at for 14 days at least, so that the exit status does not hang on how much is shown.
        rota = Rota.load(conn, program.settings, at, at + timedelta(days=max(shown, 14)))
        found = said(conn, rota, at)
        shifts = rota.shifts(at, end)
        called = names(conn, {shift.person_id for shift in shifts})
    if desk.json:
        listed = [
            {
                "person": called[shift.person_id][0],
                "name": called[shift.person_id][1],
                "from": shift.from_at,
                "until": shift.until_at,
                "source": shift.source,
                "event": shift.event,
            }
            for shift in shifts
        ]
        desk.answer({"at": at, "days": shown, "zone": zone.key, **found.as_dict(), "shifts": listed})
        return 3 if found.found else 0
    say = in_zone(zone)
    desk.say(f"{found.line(say)}.")
    rows = [
        (say(shift.from_at), say(shift.until_at), called[shift.person_id][0], called[shift.person_id][1], shift.source)
        for shift in shifts
    ]
    desk.table(("from", "until", "person", "name", "said by"), rows)
    for gap in found.gaps:
        desk.say(f"{gap.line(say)}.")
    for problem in found.problems:
        desk.say(f"{problem}.")
    return 3 if found.found else 0


@click.command("away")
@click.argument("person", required=False)
@click.option("--from", "from_on", type=DAY, metavar="DATE", help="The first day away.")
@click.option("--until", "until_on", type=DAY, metavar="DATE", help="The last day away; it counts in.")
@click.option("--note", default="", metavar="TEXT", help="Who stands in, for instance. Not why: that is theirs.")
@click.option("--list", "listed", is_flag=True, help="Lists who is away now or later.")
@click.option("--remove", type=int, metavar="NUMBER", help="Takes a record out.")
@pass_desk
def away_command(
    desk: Desk,
    person: str | None,
    from_on: datetime | None,
    until_on: datetime | None,
    note: str,
    listed: bool,
    remove: int | None,
) -> None:
    """Records that PERSON is away on days, both included; messages then go to the next in line."""
    program = desk.program
    _one_of(person, listed, remove, "a person, --list or --remove")
    if remove is not None:
        with program.store.write() as conn:
            remove_absence(conn, remove)
        _done(desk, {"removed": remove}, f"Absence {remove} is taken out.")
        return
    if listed:
        zone = program.settings.fleet.time_zone
        now = program.clock()
        with program.store.read() as conn:
            found = absences_between(conn, now, now + _AHEAD, zone)
        rows = [(a.id, a.person, a.from_on, a.until_on, "now" if a.from_at <= now else "", a.note) for a in found]
        columns = ("number", "person", "from", "until", "away", "note")
        _show(desk, columns, rows, "Nobody is away now or later.")
        return
    if from_on is None or until_on is None:
        raise UserError("away needs --from and --until, the first and the last day, such as --until 2026-12-04")
    first, last = from_on.date(), until_on.date()
    with program.store.write() as conn:
        number = add_absence(conn, str(person), first, last, note)
    made = {"number": number, "person": person, "from": first, "until": last, "note": note}
    _done(desk, made, f"{person} is away from {first} to {last}, both days included (number {number}).")


@click.command("close-site")
@click.argument("site", required=False)
@click.option("--from", "from_on", type=DAY, metavar="DATE", help="The first closed day.")
@click.option("--until", "until_on", type=DAY, metavar="DATE", help="The last closed day; without it, until taken out.")
@click.option("--every-year", is_flag=True, help="The same days of every year from then on; over New Year too.")
@click.option("--why", default="", metavar="TEXT", help="Why it is closed.")
@click.option("--list", "listed", is_flag=True, help="Lists what is closed now or later.")
@click.option("--remove", type=int, metavar="NUMBER", help="Takes a record out.")
@pass_desk
def close_site_command(
    desk: Desk,
    site: str | None,
    from_on: datetime | None,
    until_on: datetime | None,
    every_year: bool,
    why: str,
    listed: bool,
    remove: int | None,
) -> None:
    """Records that SITE is closed on days, both included. No date moves: what is owed stays owed;
    a case that can wait is paused until the site opens."""
    program = desk.program
    _one_of(site, listed, remove, "a site, --list or --remove")
    if remove is not None:
        with program.store.write() as conn:
            opened = remove_closure(conn, remove, program.clock())
        _reckon(program, opened)
        _done(desk, {"removed": remove}, f"Closure {remove} is taken out.")
        return
    if listed:
        now = program.clock()
        with program.store.read() as conn:
            known = {row.id: row for row in conn.execute(select(sites.c.id, sites.c.site, sites.c.time_zone))}
            found = all_closures(conn, now.date() - timedelta(days=1))
        rows = []
        for closure in found:
            place = known[closure.site_id]
            spell = spell_on([closure], local_day(now, place.time_zone))
            state = "" if spell is None else f"closed to {spell[1]}" if spell[1] else "closed"
            every = "every year" if closure.every_year else ""
            rows.append((closure.id, place.site, closure.from_on, closure.until_on, every, state, closure.reason))
        columns = ("number", "site", "from", "until", "season", "now", "why")
        _show(desk, columns, rows, "No site is closed now or later.")
        return
    if from_on is None or not why.strip():
        raise UserError("close-site needs --from, the first closed day, and --why, which people will read")
    first, last = from_on.date(), _day(until_on)
    with program.store.write() as conn:
        now = program.clock()
        number = add_closure(conn, str(site), first, last, now=now, every_year=every_year, reason=why)
    _reckon(program, str(site))
    made = {"number": number, "site": site, "from": first, "until": last, "every_year": every_year, "why": why}
    days = f"from {first} on" if last is None else f"from {first} to {last}, both days included"
    _done(desk, made, f"{site} is closed {days}{', every year' if every_year else ''} (number {number}).")


def _reckon(program: Program, code: str) -> None:
    """What waits while the site is closed, and what no longer does, is seen at once."""
    with program.store.read() as conn:
        site_id = conn.execute(select(sites.c.id).where(sites.c.site == code)).scalar_one()
        unit_ids = list(conn.execute(select(units.c.id).where(units.c.site_id == site_id)).scalars())
    reckon_units(program, unit_ids, site_ids=[site_id])


def _day(value: datetime | None) -> date | None:
    return None if value is None else value.date()


def _one_of(named: str | None, listed: bool, remove: int | None, what: str) -> None:
    if (named is not None) + listed + (remove is not None) != 1:
        raise UserError(f"give one of these: {what}")


def _show(desk: Desk, columns: tuple[str, ...], rows: list[tuple[Any, ...]], none: str) -> None:
    if desk.json:
        desk.answer([dict(zip(columns, row, strict=True)) for row in rows])
        return
    desk.table(columns, rows)
    if not rows:
        desk.say(none)


def _done(desk: Desk, made: dict[str, Any], sentence: str) -> None:
    if desk.json:
        desk.answer(made)
    else:
        desk.say(sentence)
