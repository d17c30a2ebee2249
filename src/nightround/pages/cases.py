"""The open cases, and one of them with the button "I have it until …". Opening a page takes nothing."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, select
from starlette.responses import Response

from ..cases import taking
from ..errors import UserError
from ..store.tables import cases, people, sites, tellings, units
from .doors import Refused, Visit, not_found, whole
from .forms import local_instant
from .matters import case_counts, open_cases, who_has
from .on_call import on_call
from .people import Viewer, names

PAGE = 100
HOURS = {"4": "for 4 hours", "24": "for a day", "72": "for three days", "168": "for a week"}


def list_cases(visit: Visit) -> Response:
    """Every open case of the viewer's sites, those that nobody has first."""
    number = max(1, visit.number("page"))
    with visit.program.store.read() as conn:
        total, taken = case_counts(conn, visit.known, visit.now)
        found = open_cases(conn, visit.known, visit.now, (number - 1) * PAGE, PAGE)
        who = on_call(conn, visit.known, visit.program.settings, visit.now)
    return visit.page(
        "cases.html",
        on_call=who,
        found=found,
        total=total,
        free=total - taken,
        number=number,
        pages=max(1, -(-total // PAGE)),
    )


def show(visit: Visit) -> Response:
    """The page."""
    return _page(visit)


def take(visit: Visit) -> Response:
    """Says that the viewer has the case until the time chosen."""
    with visit.program.store.read() as conn:
        row = _find(conn, visit.known, visit.path("id"))
    if row.closed_at is not None:
        raise Refused(409, "This case is closed already: its cause is gone.", "Nothing needs to be done.")
    try:
        until = _until(visit, row.time_zone)
        with visit.program.store.write() as conn:
            taking.take(conn, row.id, visit.known.person, until, visit.now)
    except UserError as error:
        return _page(visit, wrong=f"{error}".rstrip(".") + ". Nothing was changed.")
    return visit.go(f"/cases/{row.id}?taken=1")


def _until(visit: Visit, zone: str) -> datetime:
    hours = visit.form.get("hours", "")
    if hours in HOURS:
        return visit.now + timedelta(hours=int(hours))
    if hours != "until":
        raise UserError("Choose until when you have it")
    until = local_instant(visit.form.get("until", ""), zone)
    if until <= visit.now:
        raise UserError("The time until which you have it must lie ahead")
    if until > visit.now + taking.LONGEST:
        raise UserError(f"A case can be taken for {taking.LONGEST.days} days at most; take it again then")
    return until


def _find(conn: Connection, viewer: Viewer, text: str) -> Any:
    row = conn.execute(
        select(
            cases,
            units.c.unit,
            units.c.spot,
            units.c.floor,
            sites.c.site,
            sites.c.name.label("site_name"),
            sites.c.address,
            sites.c.time_zone,
        )
        .select_from(cases.join(sites, sites.c.id == cases.c.site_id).outerjoin(units, units.c.id == cases.c.unit_id))
        .where(cases.c.id == whole(text), viewer.sees())
    ).first()
    if row is None:
        raise not_found()
    return row


def _page(visit: Visit, *, wrong: str = "") -> Response:
    with visit.program.store.read() as conn:
        row = _find(conn, visit.known, visit.path("id"))
        known = names(conn, {row.taken_by} if row.taken_by else set())
        told = conn.execute(
            select(people.c.name, people.c.person)
            .join(tellings, tellings.c.person_id == people.c.id)
            .where(tellings.c.case_id == row.id)
            .distinct()
            .order_by(people.c.name)
        ).all()
    taken_by, taken_until = who_has(row, known, visit.now)
    return visit.page(
        "case.html",
        400 if wrong else 200,
        case=row,
        kind=row.kind.replace("-", " "),
        site_name=row.site_name or row.site,
        what=json.loads(row.what),
        taken_by=taken_by,
        taken_until=taken_until,
        mine=taken_by != "" and row.taken_by == visit.known.person,
        had_by=known.get(row.taken_by, "") if not taken_by and row.taken_until is not None else "",
        told=[one.name or one.person for one in told],
        hours=HOURS,
        wrong=wrong,
        just_taken=visit.asked("taken") == "1" and taken_by != "",
    )
