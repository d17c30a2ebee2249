"""Where people are signed in: one's own sessions on one's own page, and for a coordinator those of their people."""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, select, true
from starlette.responses import Response

from ..register import sessions
from ..register.sessions import Signed
from ..store.tables import people, person_sites, sites
from .doors import Refused, Visit, not_found, whole
from .people import Viewer

OTHERS = "others"


def my_sessions(conn: Connection, visit: Visit) -> list[Signed]:
    """The viewer's own, the newest first."""
    return sessions.listed(conn, visit.now, people.c.id == visit.known.id)


def end_mine(visit: Visit) -> Response:
    """Ends one of the viewer's own sessions, or all but this one."""
    wanted, here = visit.form.get("end", ""), visit.session.number if visit.session is not None else 0
    with visit.program.store.write() as conn:
        mine = {one.id for one in my_sessions(conn, visit)}
        sessions.end(conn, mine - {here} if wanted == OTHERS else mine & {whole(wanted)})
    return visit.go("/me#sessions" if wanted == OTHERS or whole(wanted) != here else "/sign-in")


def show(visit: Visit) -> Response:
    """Everybody of the coordinator's sites who is signed in."""
    _refuse_others(visit.known)
    with visit.program.store.read() as conn:
        found = sessions.listed(conn, visit.now, _theirs(visit.known))
    return visit.page("sessions.html", found=found, here=visit.session.number if visit.session is not None else 0)


def end(visit: Visit) -> Response:
    """Ends one session of somebody at the coordinator's sites, or all of that person."""
    _refuse_others(visit.known)
    number, person = whole(visit.form.get("end", "")), visit.form.get("person", "")
    with visit.program.store.write() as conn:
        found = sessions.listed(conn, visit.now, _theirs(visit.known))
        ended = sessions.end(conn, [one.id for one in found if one.id == number or one.person == person])
    if not ended:
        raise Refused(409, "That session had ended already.", "The list shows those that have not.")
    return visit.go("/sessions")


def _refuse_others(viewer: Viewer) -> None:
    if "coordinator" not in viewer.roles:
        raise not_found()


def _theirs(viewer: Viewer) -> ColumnElement[bool]:
    """The condition on `people` for those whose sessions this coordinator may end."""
    if viewer.whole_fleet:
        return true()
    here = select(person_sites.c.person_id).join(sites, sites.c.id == person_sites.c.site_id).where(viewer.sees())
    return people.c.id.in_(here) & ~people.c.whole_fleet
