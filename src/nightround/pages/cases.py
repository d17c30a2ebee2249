"""The open cases, and one of them with the button "I have it until …". Opening a page takes nothing."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, select, true
from starlette.responses import Response

from ..cases import taking
from ..cases.history import history
from ..errors import UserError
from ..letters import links
from ..letters.matters import who_knows
from ..rounds.causes import PLAIN
from ..store.tables import cases, sites, units
from .doors import Refused, Visit, not_found, whole
from .forms import local_instant
from .matters import case_counts, members_of, open_cases, seen_by, who_has
from .on_call import on_call
from .people import Viewer, names, viewer_of

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
    return _page(visit, visit.known, visit.path("id"))


def take(visit: Visit) -> Response:
    """Says that the viewer has the case until the time chosen."""
    return _take(visit, visit.known, visit.path("id"), f"/cases/{visit.path('id')}?taken=1")


def show_by_link(visit: Visit) -> Response:
    """What the link in an escalation leads to: the case, with whatever else it takes, and a form; whoever follows the
    link has taken nothing yet."""
    viewer, case_ids = _of_link(visit)
    return _page(visit, viewer, str(case_ids[0]), by_link=True, others=case_ids[1:])


def take_by_link(visit: Visit) -> Response:
    """Takes what the link is for, for the person whom it was made for, signed in or not."""
    viewer, case_ids = _of_link(visit)
    then = f"/take/{visit.path('token')}?taken=1"
    return _take(visit, viewer, str(case_ids[0]), then, by_link=True, others=case_ids[1:])


def _of_link(visit: Visit) -> tuple[Viewer, list[int]]:
    """Whom the link is for, and the cases. Raises Refused, with a way forward, for any other."""
    way = "Sign in and open the case from the list; the next letter about it carries a new link."
    try:
        link, case_id, unit = links.read_take(visit.program.settings, visit.path("token"), visit.now)
    except links.Expired:
        raise Refused(410, "This link is too old, so nothing was done.", way, offer_sign_in=True) from None
    except links.NotOurs:
        why = "This link is not complete, or it was not made here, so nothing was done."
        raise Refused(404, why, f"Copy all of it from the letter, in one line. {way}", offer_sign_in=True) from None
    with visit.program.store.read() as conn:
        viewer = viewer_of(conn, visit.program.settings, link.person, link.mailbox, visit.now)
        case_ids = _with_unit(conn, case_id) if unit else [case_id]
    if viewer is None:
        why = "The person that this link was made for is no longer known here under that e-mail address."
        raise Refused(410, why, way, offer_sign_in=True)
    return viewer, case_ids


def _with_unit(conn: Connection, case_id: int) -> list[int]:
    """Every open urgent case of the unit that the case is about, that one first; the case alone where there is none."""
    same = select(cases.c.unit_id).where(cases.c.id == case_id).scalar_subquery()
    query = (
        select(cases.c.id)
        .where(
            cases.c.unit_id == same,
            cases.c.severity == "urgent",
            cases.c.closed_at.is_(None),
            cases.c.group_id.is_(None),
        )
        .order_by(cases.c.id != case_id, cases.c.id)
    )
    return list(conn.execute(query).scalars()) or [case_id]


def _take(
    visit: Visit, viewer: Viewer, case_id: str, then: str, *, by_link: bool = False, others: Sequence[int] = ()
) -> Response:
    with visit.program.store.read() as conn:
        row = _find(conn, viewer, case_id, by_link=by_link)
    if row.closed_at is not None:
        raise Refused(409, "This case is closed already: its cause is gone.", "Nothing needs to be done.")
    try:
        until = _until(visit, row.time_zone or visit.program.settings.fleet.time_zone)
        with visit.program.store.write() as conn:
            for number in (row.id, *others):
                taking.take(conn, number, viewer.person, until, visit.now)
    except UserError as error:
        wrong = f"{error}".rstrip(".") + ". Nothing was changed."
        return _page(visit, viewer, case_id, wrong=wrong, by_link=by_link, others=others)
    return visit.go(then)


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


def _find(conn: Connection, viewer: Viewer, text: str, *, by_link: bool = False) -> Any:
    """The case. A link that a ladder sent somebody for a case lets them see that one, whatever their sites are."""
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
        .select_from(
            cases.outerjoin(sites, sites.c.id == cases.c.site_id).outerjoin(units, units.c.id == cases.c.unit_id)
        )
        .where(cases.c.id == whole(text), true() if by_link else seen_by(viewer))
    ).first()
    if row is None:
        raise not_found()
    return row


def _page(
    visit: Visit,
    viewer: Viewer,
    case_id: str,
    *,
    wrong: str = "",
    by_link: bool = False,
    others: Sequence[int] = (),
) -> Response:
    with visit.program.store.read() as conn:
        row = _find(conn, viewer, case_id, by_link=by_link)
        known = names(conn, {row.taken_by} if row.taken_by else set())
        members = members_of(conn, row.id, visit.now)
        happened = history(conn, row.id)
        with_it = [
            (one.id, json.loads(one.what)) for one in (_find(conn, viewer, str(n), by_link=True) for n in others)
        ]
        told = who_knows(conn, [row.id], "", {})[row.id]
    taken_by, taken_until = who_has(row, known, visit.now)
    return visit.page(
        "case.html",
        400 if wrong else 200,
        case=row,
        members=members,
        with_it=with_it,
        history=happened,
        plain=PLAIN,
        zone=row.time_zone or visit.program.settings.fleet.time_zone,
        form_at=visit.request.scope["path"] if by_link else f"/cases/{row.id}",
        by_link=viewer.name if by_link else "",
        kind=row.kind.replace("-", " "),
        site_name=row.site_name or row.site or visit.program.settings.fleet.name,
        what=json.loads(row.what),
        taken_by=taken_by,
        taken_until=taken_until,
        mine=taken_by != "" and row.taken_by == viewer.person,
        had_by=known.get(row.taken_by, "") if not taken_by and row.taken_until is not None else "",
        told=told,
        hours=HOURS,
        wrong=wrong,
        just_taken=visit.asked("taken") == "1" and taken_by != "",
    )
