"""Whose duties a feed holds, and what the feed is called. Decides by sites, and leaves out other people's certificates
where the reader does not look after them; it never looks at a duty's role."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from urllib.parse import quote

from sqlalchemy import ColumnElement, Connection, func, select, true

from ..rounds.private import duties_for
from ..settings import Settings
from ..store.tables import duties, moves, people, person_roles, person_sites, sites
from .keys import Feed
from .text import joined, one_line


class Scope(NamedTuple):
    """`seen` is the condition on `sites.id`; None is every site. `page` is the page that shows the same. `shown` is the
    condition on `duties` that they are this reader's to see."""

    name: str
    seen: ColumnElement[bool] | None
    page: str
    shown: ColumnElement[bool]


def scope_of(conn: Connection, settings: Settings, feed: Feed) -> Scope:
    """What the feed is about: the person's sites whatever their role there, one site, or the fleet."""
    base = settings.web.base_url.rstrip("/")
    fleet_name = one_line(settings.fleet.name)
    if feed.scope == "site":
        site, name = conn.execute(select(sites.c.site, sites.c.name).where(sites.c.id == feed.site_id)).one()
        title = joined(one_line(name) or one_line(site), fleet_name, by=" – ")
        # Nobody knows who holds the address of a site's calendar.
        return Scope(title, sites.c.id == feed.site_id, f"{base}/sites/{quote(site, safe='')}", duties_for(None, ()))
    if feed.scope == "person":
        query = select(people.c.person, people.c.name, people.c.whole_fleet).where(people.c.id == feed.person_id)
        person, name, whole_fleet = conn.execute(query).one()
        title = joined(one_line(name) or one_line(person), fleet_name, by=" – ")
        theirs = select(person_sites.c.site_id).where(person_sites.c.person_id == feed.person_id)
        roles = conn.execute(select(person_roles.c.role).where(person_roles.c.person_id == feed.person_id)).scalars()
        shown = duties_for(feed.person_id, frozenset(roles))
        return Scope(title, None if whole_fleet else sites.c.id.in_(theirs), f"{base}/duties", shown)
    return Scope(fleet_name or "Defibrillators", None, f"{base}/duties", true())


def last_changed(conn: Connection, scope: Scope) -> datetime | None:
    """When a duty in the scope was last written or taken away; None where there never was one."""
    found = []
    for column in (duties.c.changed_at, moves.c.at):
        query = select(func.max(column))
        if scope.seen is not None:
            query = query.join_from(column.table, sites, sites.c.id == column.table.c.site_id).where(scope.seen)
        found.append(conn.execute(query).scalar_one())
    return max((instant for instant in found if instant is not None), default=None)
