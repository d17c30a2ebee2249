"""Reckons whether sites have enough responders in date, and somebody left who can be reached. Writes no row."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from datetime import date
from functools import partial
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, func, select

from .. import addresses
from ..reckoning.facts import Place
from ..reckoning.owed import Duty
from ..reckoning.rules import Rule, Subject, binding
from ..reckoning.staffing import Contact, Needed, Responder, contact_duty, needed, responders_duty
from ..settings import Settings
from ..store.tables import people, person_roles, person_sites, sites, units
from .differences import Changes
from .loading import zones
from .people import BATCH, CertificateRules, Person, homes, load_people, reckoned, untils
from .reckoners import Reckoners
from .rulebook import RuleBook
from .spares import reckon_spares

_CONTACT_ROLES = ("site-contact", "coordinator")


class _Site(NamedTuple):
    id: int
    place: Place
    own: int | None


def owe_sites(
    conn: Connection,
    settings: Settings,
    zone: str,
    site_ids: Set[int] | None,
    on: date,
    book: RuleBook,
    reckoners: Reckoners,
    changes: Changes,
) -> None:
    """What sites owe for no one unit: spares, and enough people."""
    reckoners.renew(conn)
    others = staff_duties(conn, book, settings, on, zone, site_ids)
    reckon_spares(conn, zone, site_ids, partial(reckoners.at, day=on), changes, marks=reckoners.marks, others=others)


def staff_duties(
    conn: Connection, book: RuleBook, settings: Settings, day: date, zone: str, site_ids: Set[int] | None = None
) -> dict[int, list[Duty]]:
    """By site of the zone: the duties about its people on the day; with `site_ids`, only of these sites.

    Where nobody asks for responders and nobody leaves, that is found out without looking at any site.
    """
    found: dict[int, list[Duty]] = {}
    for site_id, duty in (
        *_responders(conn, book, settings, day, zone, site_ids),
        *_contacts(conn, day, zone, site_ids),
    ):
        found.setdefault(site_id, []).append(duty)
    return found


def staff_on(
    conn: Connection, book: RuleBook, settings: Settings, day: date
) -> Iterator[tuple[Person | None, int, Duty]]:
    """Every duty of people (with the person) and of sites about their people (None), with its site, as of a day."""
    rules = CertificateRules(book, day)
    at = homes(conn, settings.fleet.time_zone)
    for start in range(0, len(at), BATCH):
        batch = dict(at[start : start + BATCH])
        for person, owed in reckoned(load_people(conn, list(batch)), rules, []):
            yield from ((person, batch[person.id], duty) for duty in owed)
    for zone in zones(conn):
        for site_id, owed_here in staff_duties(conn, book, settings, day, zone).items():
            yield from ((None, site_id, duty) for duty in owed_here)


def _responders(
    conn: Connection, book: RuleBook, settings: Settings, day: date, zone: str, site_ids: Set[int] | None
) -> Iterable[tuple[int, Duty]]:
    rules = [rule for rule in book.rules if rule.subject is Subject.RESPONDERS and rule.in_force(day)]
    default = settings.rounds.responders
    asked = _asked(conn, rules, default, day, zone, site_ids)
    if not asked:
        return
    by_site, everywhere = _trained(conn, zone, set(asked))
    ids = everywhere.union(*by_site.values())
    until = untils(conn, ids, CertificateRules(book, day))
    for site_id, wanted in sorted(asked.items()):
        here = by_site.get(site_id, set()) | everywhere
        duty = responders_duty(day, wanted, [Responder(*until[person_id]) for person_id in sorted(here)])
        if duty is not None:
            yield site_id, duty


def _asked(
    conn: Connection, rules: list[Rule], default: int, day: date, zone: str, site_ids: Set[int] | None
) -> dict[int, Needed]:
    """The sites that are to have responders, and how many."""
    query = select(sites.c.id, sites.c.country, sites.c.subdivision, sites.c.site_type, sites.c.responders).where(
        sites.c.time_zone == zone
    )
    if not default and not rules:
        query = query.where(sites.c.responders.is_not(None))
    listed = [_Site(row[0], Place(zone, *row[1:4]), row[4]) for row in conn.execute(query)]
    if site_ids is not None:
        listed = [site for site in listed if site.id in site_ids]
    if not listed:
        return {}
    counted = (
        select(units.c.site_id, func.count())
        .join(sites, sites.c.id == units.c.site_id)
        .where(sites.c.time_zone == zone)
        .group_by(units.c.site_id)
    )
    counts: dict[int, int] = dict(conn.execute(counted).all())
    bound: dict[Place, tuple[Rule, ...]] = {}
    found: dict[int, Needed] = {}
    for site in listed:
        here = bound.get(site.place)
        if here is None:
            here = bound[site.place] = binding(rules, site.place, day)
        wanted = needed(site.own, default, here, counts.get(site.id, 0))
        if wanted.number:
            found[site.id] = wanted
    return found


def _trained(conn: Connection, zone: str, site_ids: Set[int]) -> tuple[dict[int, set[int]], set[int]]:
    """The responders of these sites, and those of the whole fleet, by number."""
    having = select(person_roles.c.person_id).where(person_roles.c.role == "responder")
    everywhere = set(conn.execute(select(people.c.id).where(people.c.whole_fleet, people.c.id.in_(having))).scalars())
    query = (
        select(person_sites.c.site_id, person_sites.c.person_id)
        .join(sites, sites.c.id == person_sites.c.site_id)
        .where(sites.c.time_zone == zone, person_sites.c.person_id.in_(having))
    )
    by_site: dict[int, set[int]] = {}
    for site_id, person_id in conn.execute(query):
        if site_id in site_ids:
            by_site.setdefault(site_id, set()).add(person_id)
    return by_site, everywhere


def _contacts(conn: Connection, day: date, zone: str, site_ids: Set[int] | None) -> Iterable[tuple[int, Duty]]:
    having = select(person_roles.c.person_id).where(person_roles.c.role.in_(_CONTACT_ROLES))
    leaving = conn.execute(
        select(people.c.id, people.c.whole_fleet).where(people.c.left_on.is_not(None), people.c.id.in_(having))
    ).all()
    if not leaving:
        return
    their_sites = select(person_sites.c.site_id).join(people, people.c.id == person_sites.c.person_id)
    wanted = select(sites.c.id).where(sites.c.time_zone == zone, sites.c.id.in_(select(units.c.site_id)))
    if not any(row.whole_fleet for row in leaving):
        wanted = wanted.where(sites.c.id.in_(their_sites.where(people.c.left_on.is_not(None), people.c.id.in_(having))))
    listed = set(conn.execute(wanted).scalars())
    if site_ids is not None:
        listed &= site_ids
    everywhere = [_contact(row) for row in conn.execute(_who().where(people.c.whole_fleet, people.c.id.in_(having)))]
    by_site: dict[int, list[Contact]] = {site_id: [] for site_id in sorted(listed)}
    query = (
        _who()
        .add_columns(person_sites.c.site_id)
        .join(person_sites, person_sites.c.person_id == people.c.id)
        .join(sites, sites.c.id == person_sites.c.site_id)
        .where(sites.c.time_zone == zone, people.c.id.in_(having), people.c.whole_fleet.is_(False))
    )
    for row in conn.execute(query):
        if row.site_id in by_site:
            by_site[row.site_id].append(_contact(row))
    for site_id, contacts in by_site.items():
        duty = contact_duty(day, contacts, everywhere)
        if duty is not None:
            yield site_id, duty


def _who() -> Select[Any]:
    return select(people.c.person, people.c.email, people.c.left_on).order_by(people.c.person)


def _contact(row: Any) -> Contact:
    return Contact(row.person, addresses.read(row.email) is not None, row.left_on)
