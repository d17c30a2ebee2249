"""Finds out by one statement which questions about the sites of a time zone have an answer at all.

Decides nothing: where it says yes, there may still be nothing owed; where it says no, there is nothing to ask for.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, exists, select

from ..reckoning.facts import Place
from ..store.recalling import recall
from ..store.tables import duties, notices, parts, people, person_roles, person_sites, sites, units
from .reckoners import NEWEST

HERE = sites.c.time_zone == bindparam("b_zone")
_CONTACT = person_roles.c.role.in_(("site-contact", "coordinator"))
CONTACTS = select(person_roles.c.person_id).where(_CONTACT)
LEAVING = people.c.left_on.is_not(None) & exists().where(person_roles.c.person_id == people.c.id, _CONTACT)
OF_SITE = duties.c.unit_id.is_(None) & (duties.c.holder >= "s") & (duties.c.holder < "t")


class Glance(NamedTuple):
    """What there is in a time zone."""

    newest: int | None  # as `register.notices.newest`
    responders: bool  # a site for which a number of responders is set
    leaving: bool  # a site with units that a contact of its own leaves or has left
    leaving_everywhere: bool  # a contact of the whole fleet who leaves or has left
    spares: bool  # a spare kept at a site, for no one unit
    duties: bool  # a duty of a site, as the last round left it


class SiteHere(NamedTuple):
    """A site, and the number of responders that is set for it."""

    id: int
    place: Place
    responders: int | None


class Here:
    """A time zone as one unit of work sees it. Its sites are read once, and only if somebody asks for them."""

    def __init__(self, conn: Connection, zone: str) -> None:
        self.conn = conn
        self.zone = zone
        self.seen = recall(conn, ("glance", zone), _SEEN_IN, self._look, zone, (duties,))

    def _look(self) -> Glance:
        return Glance(*self.conn.execute(_GLANCE, {"b_zone": self.zone}).one())

    @cached_property
    def sites(self) -> tuple[SiteHere, ...]:
        return recall(self.conn, ("sites here", self.zone), (sites,), self._read_sites)

    def _read_sites(self) -> tuple[SiteHere, ...]:
        rows = self.conn.execute(_SITES, {"b_zone": self.zone})
        return tuple(SiteHere(row[0], Place(*row[1:5]), row[5]) for row in rows)


_SITES = select(
    sites.c.id, sites.c.time_zone, sites.c.country, sites.c.subdivision, sites.c.site_type, sites.c.responders
).where(HERE)
# Each looks for the few first and then for their site, whatever a database takes to be the shorter way.
_THEIR_SITE = (
    select(person_sites.c.site_id)
    .join(sites, sites.c.id == person_sites.c.site_id)
    .where(person_sites.c.person_id == people.c.id, HERE, exists().where(units.c.site_id == sites.c.id))
    .correlate(people)
)
_SEEN_IN = (notices, parts, people, person_roles, person_sites, sites, units)
_GLANCE = select(
    NEWEST,
    exists().where(HERE, sites.c.responders.is_not(None)),
    exists().where(LEAVING, _THEIR_SITE.exists()),
    exists().where(LEAVING, people.c.whole_fleet),
    exists().where(
        parts.c.unit_id.is_(None), parts.c.state == "spare", exists().where(sites.c.id == parts.c.site_id, HERE)
    ),
    exists().where(OF_SITE, exists().where(sites.c.id == duties.c.site_id, HERE)),
)
