"""Who cannot be reached, and which sites nobody looks after: what makes every other letter useless."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, or_, select

from .. import addresses
from ..store.tables import people, person_roles, person_sites, sites, units
from .lists import Cut, Worst
from .templates import say_count

SHOWN = 5
_ROLES = ("coordinator", "manager", "on-call", "site-contact")


@dataclass(frozen=True, slots=True)
class Gaps:
    """Names of people without a usable address, and of sites with units but without a site contact or anybody on
    call; what is wrong with the rota. `any` is whether there are any."""

    no_address: Cut[str]
    no_contact: Cut[str]
    nobody_on_call: Cut[str]
    rota: tuple[str, ...] = ()  # sentences about what is wrong with the rota

    @property
    def any(self) -> bool:
        return bool(self.no_address.total or self.no_contact.total or self.nobody_on_call.total or self.rota)

    @property
    def line(self) -> str:
        """The gaps in words."""
        found = []
        if self.no_address.total:
            found.append(f"{say_count(self.no_address.total, 'person has', 'people have')} no usable e-mail address: ")
            found[-1] += _named(self.no_address)
        if self.no_contact.total:
            found.append(f"{say_count(self.no_contact.total, 'site has', 'sites have')} no site contact: ")
            found[-1] += _named(self.no_contact)
        if self.nobody_on_call.total:
            found.append(f"Nobody is on call for {say_count(self.nobody_on_call.total, 'site')}: ")
            found[-1] += _named(self.nobody_on_call)
        found += [f"{sentence}." for sentence in self.rota[:SHOWN]]
        if len(self.rota) > SHOWN:
            found.append(f"And {len(self.rota) - SHOWN} more about the rota.")
        return " ".join(found)


def _named(cut: Cut[str]) -> str:
    return f"{'; '.join(cut.rows)}{f' and {cut.more} more' if cut.more else ''}."


def gaps(conn: Connection, seen: ColumnElement[bool], rota: tuple[str, ...] = ()) -> Gaps:
    """The gaps among the sites that are seen and the people who have to do with them. `rota`: what is wrong with it."""
    contact, on_call = _without(conn, seen, "site-contact"), _without(conn, seen, "on-call")
    return Gaps(_no_address(conn, seen), contact, on_call, rota)


def _no_address(conn: Connection, seen: ColumnElement[bool]) -> Cut[str]:
    theirs = select(person_sites.c.person_id).join(sites, sites.c.id == person_sites.c.site_id).where(seen)
    query = (
        select(people.c.person, people.c.name, people.c.email)
        .where(
            people.c.id.in_(select(person_roles.c.person_id).where(person_roles.c.role.in_(_ROLES))),
            or_(people.c.whole_fleet, people.c.id.in_(theirs)),
        )
        .order_by(people.c.person)
    )
    worst: Worst[str] = Worst(SHOWN, key=lambda name: name)
    for person, name, email in conn.execute(query):
        if not email or addresses.read(email) is None:
            worst.add(f"{name} ({person})" if name else person)
    return worst.cut()


def _without(conn: Connection, seen: ColumnElement[bool], role: str) -> Cut[str]:
    """Sites with units for which nobody has that role."""
    having = select(person_roles.c.person_id).where(person_roles.c.role == role)
    everywhere = select(people.c.id).where(people.c.whole_fleet, people.c.id.in_(having)).limit(1)
    if conn.execute(everywhere).first() is not None:
        return Cut(0, (), 0)
    looked_after = select(person_sites.c.site_id).where(person_sites.c.person_id.in_(having))
    query = (
        select(sites.c.site, sites.c.name)
        .where(seen, sites.c.id.in_(select(units.c.site_id)), sites.c.id.not_in(looked_after))
        .order_by(sites.c.site)
    )
    worst: Worst[str] = Worst(SHOWN, key=lambda name: name)
    for site, name in conn.execute(query):
        worst.add(name or site)
    return worst.cut()
