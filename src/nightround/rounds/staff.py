"""Reckons what sites owe for no one unit, and whether they have enough responders in date and somebody to be reached.

What a round finds of people and sites comes from here, and so does what a round of another day would find.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from datetime import date
from functools import partial
from typing import Any

from sqlalchemy import Connection, Integer, cast, exists, false, func, null, select, union_all

from .. import addresses
from ..reckoning.facts import Place
from ..reckoning.owed import Duty
from ..reckoning.rules import Rule, Subject, binding
from ..reckoning.staffing import Contact, Needed, Responder, contact_duty, needed, responders_duty
from ..settings import Settings
from ..store.tables import people, person_roles, person_sites, sites, units
from .differences import Changes
from .glance import CONTACTS, HERE, LEAVING, Here
from .loading import zones
from .people import BATCH, CertificateRules, Person, homes, load_people, reckoned, untils
from .reckoners import Reckoners
from .rulebook import RuleBook
from .spares import compare_sites, spare_duties

_NOWHERE = cast(null(), Integer)  # in the place of a site: somebody of the whole fleet
_COUNTED = (
    select(units.c.site_id, func.count())
    .join(sites, sites.c.id == units.c.site_id)
    .where(HERE)
    .group_by(units.c.site_id)
)
# Looked up for each person's site: a join might begin with all sites of the zone, and try everybody at each.
_ONE_HERE = exists().where(sites.c.id == person_sites.c.site_id, HERE)
_TRAINED = select(person_roles.c.person_id).where(person_roles.c.role == "responder")
_RESPONDERS = union_all(
    select(people.c.id, _NOWHERE).where(people.c.whole_fleet, people.c.id.in_(_TRAINED)),
    select(person_sites.c.person_id, person_sites.c.site_id).where(person_sites.c.person_id.in_(_TRAINED), _ONE_HERE),
)
_WITH_UNITS = select(sites.c.id).where(HERE, sites.c.id.in_(select(units.c.site_id)))
_BEING_LEFT = _WITH_UNITS.where(
    sites.c.id.in_(select(person_sites.c.site_id).join(people, people.c.id == person_sites.c.person_id).where(LEAVING))
)
_WHO = (people.c.person, people.c.email, people.c.left_on)
_CONTACTS = union_all(
    select(*_WHO, _NOWHERE.label("site_id")).where(people.c.whole_fleet, people.c.id.in_(CONTACTS)),
    select(*_WHO, person_sites.c.site_id)
    .join(person_sites, person_sites.c.person_id == people.c.id)
    .where(people.c.id.in_(CONTACTS), people.c.whole_fleet == false(), _ONE_HERE),
).order_by("person")


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
    here = Here(conn, zone)
    reckoners.take(conn, here.seen.newest)
    spares = spare_duties(here, partial(reckoners.at, day=on), marks=reckoners.marks)
    others = _staff_duties(here, book, settings, on, site_ids)
    compare_sites(here, site_ids, spares, others, changes)


def _staff_duties(
    here: Here, book: RuleBook, settings: Settings, day: date, site_ids: Set[int] | None = None
) -> dict[int, list[Duty]]:
    """By site of the zone: the duties about its people on the day; with `site_ids`, only of these sites.

    Where nobody asks for responders and nobody leaves, that is found out without looking at any site.
    """
    found: dict[int, list[Duty]] = {}
    for site_id, duty in (*_responders(here, book, settings, day, site_ids), *_contacts(here, day, site_ids)):
        found.setdefault(site_id, []).append(duty)
    return found


def found_on(
    conn: Connection,
    book: RuleBook,
    settings: Settings,
    day: date,
    reckoners: Reckoners,
    findings: list[dict[str, str]],
) -> Iterator[tuple[Person | None, int, Duty]]:
    """Every duty that is of no unit, as a round on the day finds it: of people (with the person) and of sites (None).

    Each with its site. Whoever could not be reckoned is added to `findings`.
    """
    rules = CertificateRules(book, day)
    at = homes(conn, settings.fleet.time_zone)
    for start in range(0, len(at), BATCH):
        batch = dict(at[start : start + BATCH])
        for person, owed in reckoned(load_people(conn, list(batch)), rules, findings):
            yield from ((person, batch[person.id], duty) for duty in owed)
    for zone in zones(conn):
        here = Here(conn, zone)
        reckoners.take(conn, here.seen.newest)
        spares = spare_duties(here, partial(reckoners.at, day=day), marks=reckoners.marks)
        for owed_here in (spares, _staff_duties(here, book, settings, day)):
            for site_id, listed in owed_here.items():
                yield from ((None, site_id, duty) for duty in listed)


def _responders(
    here: Here, book: RuleBook, settings: Settings, day: date, site_ids: Set[int] | None
) -> Iterable[tuple[int, Duty]]:
    rules = [rule for rule in book.rules if rule.subject is Subject.RESPONDERS and rule.in_force(day)]
    asked = _asked(here, rules, settings.rounds.responders, day, site_ids)
    if not asked:
        return
    by_site, everywhere = _trained(here, set(asked))
    ids = everywhere.union(*by_site.values())
    until = untils(here.conn, ids, CertificateRules(book, day))
    for site_id, wanted in sorted(asked.items()):
        at_hand = by_site.get(site_id, set()) | everywhere
        duty = responders_duty(day, wanted, [Responder(*until[person_id]) for person_id in sorted(at_hand)])
        if duty is not None:
            yield site_id, duty


def _asked(here: Here, rules: list[Rule], default: int, day: date, site_ids: Set[int] | None) -> dict[int, Needed]:
    """The sites that are to have responders, and how many."""
    if not default and not rules and not here.seen.responders:
        return {}
    listed = [
        site
        for site in here.sites
        if (default or rules or site.responders is not None) and (site_ids is None or site.id in site_ids)
    ]
    if not listed:
        return {}
    # What is set for a site is its own affair, however many units it has.
    counts: dict[int, int] = {}
    if default or rules:
        counts = dict(here.conn.execute(_COUNTED, {"b_zone": here.zone}).all())
    bound: dict[Place, tuple[Rule, ...]] = {}
    found: dict[int, Needed] = {}
    for site in listed:
        binding_here = bound.get(site.place)
        if binding_here is None:
            binding_here = bound[site.place] = binding(rules, site.place, day)
        wanted = needed(site.responders, default, binding_here, counts.get(site.id, 0))
        if wanted.number:
            found[site.id] = wanted
    return found


def _trained(here: Here, site_ids: Set[int]) -> tuple[dict[int, set[int]], set[int]]:
    """The responders of these sites, and those of the whole fleet, by number."""
    everywhere: set[int] = set()
    by_site: dict[int, set[int]] = {}
    for person_id, site_id in here.conn.execute(_RESPONDERS, {"b_zone": here.zone}):
        if site_id is None:
            everywhere.add(person_id)
        elif site_id in site_ids:
            by_site.setdefault(site_id, set()).add(person_id)
    return by_site, everywhere


def _contacts(here: Here, day: date, site_ids: Set[int] | None) -> Iterable[tuple[int, Duty]]:
    if not (here.seen.leaving or here.seen.leaving_everywhere):
        return
    named = {"b_zone": here.zone}
    wanted = _WITH_UNITS if here.seen.leaving_everywhere else _BEING_LEFT
    listed = set(here.conn.execute(wanted, named).scalars())
    if site_ids is not None:
        listed &= site_ids
    if not listed:
        return
    everywhere: list[Contact] = []
    by_site: dict[int, list[Contact]] = {site_id: [] for site_id in sorted(listed)}
    for row in here.conn.execute(_CONTACTS, named):
        if row.site_id is None:
            everywhere.append(_contact(row))
        elif row.site_id in by_site:
            by_site[row.site_id].append(_contact(row))
    for site_id, contacts in by_site.items():
        duty = contact_duty(day, contacts, everywhere)
        if duty is not None:
            yield site_id, duty


def _contact(row: Any) -> Contact:
    return Contact(row.person, addresses.read(row.email) is not None, row.left_on)
