"""Who is on call for the viewer's sites, who of them is away, and when a site is closed: what pages show of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Connection
from starlette.responses import Response

from ..cases.absences import Absence, absences_of
from ..cases.rota.saying import on_call_now
from ..errors import UserError
from ..register.closures import all_closures, spell_on
from ..register.days_off import add_absence, remove_absence
from ..settings import Settings
from .doors import Visit, whole
from .fleet_state import zone_of
from .look import say_day, say_instant
from .people import Viewer


@dataclass(frozen=True, slots=True)
class Said:
    """Sentences for a page: who is on call, and what is wrong with the rota."""

    line: str
    wrong: tuple[str, ...]


def on_call(conn: Connection, viewer: Viewer, settings: Settings, now: datetime) -> Said:
    """The rota of the viewer's sites at this moment, on the viewer's clock."""
    zone = zone_of(conn, viewer, settings)
    found = on_call_now(conn, settings, now, None if viewer.whole_fleet else viewer.sees())

    def say(at: datetime) -> str:
        return say_instant(at, zone)

    return Said(f"{found.line(say)}.", tuple(f"{sentence}." for sentence in found.wrong(say)))


def closed_lines(conn: Connection, site_id: int, today: date) -> tuple[str, ...]:
    """What a site's page says of its being closed: today, and the closures on record that are not over."""
    held = all_closures(conn, today, site_id)
    lines = []
    spell = spell_on(held, today)
    if spell is not None:
        by, last = spell
        until = f"to {say_day(last)}" if last is not None else "until further notice"
        lines.append(f"Closed {until}{f': {by.reason}' if by.reason else ''}. What is owed stays owed.")
    for closure in held:
        days = f"{say_day(closure.from_on)} to {say_day(closure.until_on)}" if closure.until_on else ""
        if closure.every_year:
            lines.append(f"Closed every year, first {days}{f': {closure.reason}' if closure.reason else ''}.")
        elif closure.from_on > today:
            days = days or f"from {say_day(closure.from_on)} on"
            lines.append(f"Will be closed {days}{f': {closure.reason}' if closure.reason else ''}.")
    return tuple(lines)


def my_absences(conn: Connection, viewer: Viewer, settings: Settings, now: datetime) -> list[Absence]:
    """The viewer's own absences that are not over."""
    return absences_of(conn, viewer.id, now, settings.fleet.time_zone)


def go_away(visit: Visit) -> Response:
    """Records that the viewer is away, or takes one of their own records out."""
    form = visit.form
    if form.get("remove"):
        with visit.program.store.write() as conn:
            remove_absence(conn, whole(form["remove"]), visit.known.id)
        return visit.go("/me#away")
    first, last = _day(form.get("from", ""), "first"), _day(form.get("until", ""), "last")
    with visit.program.store.write() as conn:
        add_absence(conn, visit.known.person, first, last)
    return visit.go("/me#away")


def _day(text: str, which: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        shown = f" {text.strip()!r}" if text.strip() else ""
        raise UserError(f"The {which} day away{shown} cannot be read; write it as 2026-12-04") from None
