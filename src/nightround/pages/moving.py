"""The form by which a person says that a unit was moved, or put in the place of another, and what it may say."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sqlalchemy import Connection, select

from ..errors import UserError
from ..register.log import NewEntry
from ..register.moving import LONGEST
from ..register.whereabouts import COVERS, SITE, SPOT
from ..store.tables import sites, units
from .people import Viewer


def moving_readings(form: Mapping[str, str], clean: Callable[[str], str]) -> dict[str, str]:
    """Where the unit stands now, as typed. Empty where only a note was written."""
    found = {name: clean(form.get(name, "")) for name in (SITE, SPOT, COVERS)}
    for name, value in found.items():
        if len(value) > LONGEST:
            raise UserError(f"The {name} has {len(value)} characters; {LONGEST} are the most. Shorten it")
    return {name: value for name, value in found.items() if value}


def sites_of(conn: Connection, viewer: Viewer) -> list[tuple[str, str]]:
    """Code and name of the sites to which the viewer can say that a unit was moved: those that they see."""
    query = select(sites.c.site, sites.c.name).where(viewer.sees()).order_by(sites.c.site)
    return [(code, name) for code, name in conn.execute(query)]


def may_move(viewer: Viewer, entry: NewEntry) -> Callable[[Connection], None]:
    """What refuses a move to a site, or in the place of a unit, that the viewer does not see."""

    def check(conn: Connection) -> None:
        site, covers = entry.readings.get(SITE), entry.readings.get(COVERS)
        if site is not None:
            seen = select(sites.c.id).where(sites.c.site == site, viewer.sees())
            if conn.execute(seen).first() is None:
                raise UserError("Choose the site from the list: units can be moved to sites that you see")
        if covers is not None:
            query = select(units.c.id).join(sites, sites.c.id == units.c.site_id)
            if conn.execute(query.where(units.c.unit == covers, viewer.sees())).first() is None:
                raise UserError(f"No unit of your sites has the code {covers}; give that of the unit to be covered")

    return check
