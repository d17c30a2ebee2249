"""The viewer's own page: as whom they are signed in, what they may do, and whether the weekly letter comes."""

from __future__ import annotations

from sqlalchemy import Connection, func, select, update
from starlette.responses import Response

from ..letters import links
from ..store.tables import people, sites
from .doors import Refused, Visit
from .fleet_state import zone_of
from .on_call import my_absences
from .signed_in import my_sessions
from .words import spoken

_SHOWN = 50


def show(visit: Visit) -> Response:
    """The page."""
    viewer = visit.known
    with visit.program.store.read() as conn:
        query = select(sites.c.site, sites.c.name).where(viewer.sees()).order_by(sites.c.site)
        listed = [(row.site, row.name or row.site) for row in conn.execute(query.limit(_SHOWN))]
        away = my_absences(conn, viewer, visit.program.settings, visit.now)
        signed = my_sessions(conn, visit)
        zone = zone_of(conn, viewer, visit.program.settings)
        total = conn.execute(select(func.count()).select_from(sites).where(viewer.sees())).scalar_one()
    return visit.page(
        "me.html",
        roles=[spoken(role) for role in sorted(viewer.roles)],
        gets_weekly=bool(viewer.roles & {"coordinator", "manager"}),
        sites=listed,
        sites_total=total,
        away=away,
        sessions=signed,
        zone=zone,
        here=visit.session.number if visit.session is not None else 0,
        may=[spoken(entry) for entry in viewer.may_write()],
    )


def set_letters(visit: Visit) -> Response:
    """Turns the viewer's weekly letter on or off."""
    wanted = visit.form.get("letters", "")
    if wanted not in ("on", "off"):
        raise Refused(400, "Choose whether the weekly letter should come.", "Go back and choose.")
    with visit.program.store.write() as conn:
        _set_off(conn, visit.known.person, wanted == "off")
    return visit.go("/me")


def stop_show(visit: Visit) -> Response:
    """What the link in a weekly letter leads to: says whose letter would stop, and stops nothing."""
    _, name, off = _of_link(visit)
    return visit.page("stop.html", name=name, off=off, done=False)


def stop(visit: Visit) -> Response:
    """Ends the weekly letter; takes the mail program's one-click form (RFC 8058) and the page's own button."""
    person, name, _ = _of_link(visit)
    one_click = visit.form.get("List-Unsubscribe") == "One-Click"
    wanted = "off" if one_click else visit.form.get("letters", "")
    if wanted not in ("on", "off"):
        raise Refused(400, "The form did not say whether the weekly letter should stop.", "Open the link once more.")
    with visit.program.store.write() as conn:
        _set_off(conn, person, wanted == "off")
    return visit.page("stop.html", name=name, off=wanted == "off", done=True)


def _of_link(visit: Visit) -> tuple[str, str, bool]:
    why = "This link is not complete, or it was not made here."
    way = "Copy all of it from the letter, in one line; or sign in and stop the letter on your own page."
    try:
        person = links.read_stop(visit.program.settings, visit.path("token"))
    except links.NotOurs:
        raise Refused(404, why, way, offer_sign_in=True) from None
    with visit.program.store.read() as conn:
        row = conn.execute(select(people.c.name, people.c.letters_off).where(people.c.person == person)).first()
    if row is None:
        raise Refused(410, "The person that this link was made for is no longer known here.", "No letter will come.")
    return person, row.name or person, row.letters_off


def _set_off(conn: Connection, person: str, off: bool) -> None:
    conn.execute(update(people).where(people.c.person == person).values(letters_off=off))
