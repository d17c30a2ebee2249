"""Loads people with their certificates, a batch at a time, and reckons what each of them owes. Writes nothing.

A person's duties are kept at the first of their sites and reckoned in the round of its zone. Whoever has no site of
their own, as a coordinator of the whole fleet, is kept at the fleet's first site in the zone of the settings.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterator, Sequence
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, func, select

from ..reckoning.certificates import certificate_duties, in_date_until, rules_of
from ..reckoning.facts import Certificate, Place
from ..reckoning.owed import Duty
from ..reckoning.rules import Rule
from ..store.tables import duties, people, person_sites, sites, training, units
from .loading import KEPT, STORED, Stored, stored_duty, zones
from .rulebook import RuleBook

logger = logging.getLogger("nightround.rounds")

BATCH = 1000
_CHUNK = 500


class Person(NamedTuple):
    """Somebody with all that reckoning asks for. `places` are those of their sites; of the whole fleet, all of it."""

    id: int
    person: str
    name: str
    left_on: date | None
    certificates: tuple[Certificate, ...]
    places: frozenset[Place]

    @property
    def called(self) -> str:
        """Name and code, or the code alone."""
        return f"{self.name} ({self.person})" if self.name else self.person


class CertificateRules:
    """The rules about certificates for people of certain places on a day; each combination is looked up once."""

    def __init__(self, book: RuleBook, day: date) -> None:
        self._book = book
        self._known: dict[frozenset[Place], tuple[Rule, ...]] = {}
        self.day = day

    def of(self, person: Person) -> tuple[Rule, ...]:
        known = self._known.get(person.places)
        if known is None:
            known = self._known[person.places] = rules_of(self._book.rules, sorted(person.places), self.day)
        return known

    def duties(self, person: Person) -> tuple[Duty, ...]:
        """What the person owes on the day; nothing after their last day with us."""
        if person.left_on is not None and self.day > person.left_on:
            return ()
        return certificate_duties(self.day, person.person, person.called, person.certificates, self.of(person))

    def until(self, person: Person) -> date | None:
        """The last day on which they count as a responder: a certificate in date, and still with us."""
        good = in_date_until(self.day, person.certificates, self.of(person))
        return good if good is None or person.left_on is None else min(good, person.left_on)


def homes(conn: Connection, fleet_zone: str, zone: str | None = None) -> list[tuple[int, int]]:
    """Person and site by number, in order: everybody with a certificate or a duty on record, in that zone's round."""
    known = zones(conn)
    first = (
        select(person_sites.c.person_id, func.min(person_sites.c.site_id).label("site_id"))
        .join(sites, sites.c.id == person_sites.c.site_id)
        .where(sites.c.time_zone.in_(known))
        .group_by(person_sites.c.person_id)
        .subquery()
    )
    elsewhere = _first_site(conn, fleet_zone)
    if elsewhere is None:
        return []
    home = func.coalesce(first.c.site_id, elsewhere)
    query = (
        select(people.c.id, home)
        .select_from(people.outerjoin(first, first.c.person_id == people.c.id).join(sites, sites.c.id == home))
        .order_by(people.c.id)
    )
    if zone is not None:
        query = query.where(sites.c.time_zone == zone)
    having = set(conn.execute(select(training.c.person_id).distinct()).scalars()) | _owing(conn)
    return [(person_id, site_id) for person_id, site_id in conn.execute(query) if person_id in having]


def _owing(conn: Connection) -> set[int]:
    query = select(duties.c.holder).where(duties.c.holder >= "p", duties.c.holder < "q").distinct()
    return {int(holder[1:]) for holder in conn.execute(query).scalars()}


def _first_site(conn: Connection, fleet_zone: str) -> int | None:
    """The fleet's first site with units, in that zone if there is one; None where there is none at all."""
    query = select(func.min(units.c.site_id)).join(sites, sites.c.id == units.c.site_id)
    in_zone: int | None = conn.execute(query.where(sites.c.time_zone == fleet_zone)).scalar_one()
    return in_zone if in_zone is not None else conn.execute(query).scalar_one()


def load_people(conn: Connection, ids: Sequence[int]) -> Iterator[Person]:
    """These people, in the order of their numbers."""
    wanted = sorted(ids)
    everywhere: frozenset[Place] | None = None
    for start in range(0, len(wanted), _CHUNK):
        some = wanted[start : start + _CHUNK]
        certificates: dict[int, list[Certificate]] = {}
        query = select(
            training.c.person_id, training.c.certificate, training.c.issued_on, training.c.last_good_day
        ).where(training.c.person_id.in_(some))
        for person_id, *rest in conn.execute(query.order_by(training.c.id)):
            certificates.setdefault(person_id, []).append(Certificate(*rest))
        places: dict[int, set[Place]] = {}
        for person_id, *rest in conn.execute(_places(some)):
            places.setdefault(person_id, set()).add(Place("", *rest))
        for row in conn.execute(select(people).where(people.c.id.in_(some)).order_by(people.c.id)):
            if row.whole_fleet and everywhere is None:
                everywhere = _everywhere(conn)
            theirs = everywhere if row.whole_fleet and everywhere is not None else places.get(row.id, ())
            held = tuple(certificates.get(row.id, ()))
            yield Person(row.id, row.person, row.name, row.left_on, held, frozenset(theirs))


def _places(ids: Sequence[int]) -> Select[Any]:
    return (
        select(person_sites.c.person_id, sites.c.country, sites.c.subdivision, sites.c.site_type)
        .join(sites, sites.c.id == person_sites.c.site_id)
        .where(person_sites.c.person_id.in_(ids))
        .distinct()
    )


def _everywhere(conn: Connection) -> frozenset[Place]:
    query = select(sites.c.country, sites.c.subdivision, sites.c.site_type).distinct()
    return frozenset(Place("", *row) for row in conn.execute(query))


def stored_of(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[set[int], dict[str, Stored]]]:
    """By person: the sites at which duties of theirs are kept, and those duties as the last round left them."""
    found: dict[int, tuple[set[int], dict[str, Stored]]] = {}
    for start in range(0, len(ids), _CHUNK):
        holders = [f"p{person_id}" for person_id in ids[start : start + _CHUNK]]
        query = select(*STORED, duties.c.holder, *KEPT).where(duties.c.holder.in_(holders))
        for row in conn.execute(query):
            at, stored = found.setdefault(int(row.holder[1:]), (set(), {}))
            at.add(row.site_id)
            stored[row.key] = stored_duty(row)
    return found


def reckoned(
    persons: Iterator[Person], rules: CertificateRules, findings: list[dict[str, str]]
) -> Iterator[tuple[Person, tuple[Duty, ...]]]:
    """Each person with what they owe; one with impossible facts is set aside and reported, and the rest goes on."""
    for person in persons:
        try:
            yield person, rules.duties(person)
        except (ValueError, OverflowError, LookupError, TypeError) as error:
            logger.exception("person set aside", extra={"person": person.person})
            findings.append({"unit": f"(person) {person.person}", "why": f"{type(error).__name__}: {error}"})


def untils(conn: Connection, ids: Collection[int], rules: CertificateRules) -> dict[int, tuple[str, date | None]]:
    """By person: their code and the last day on which they count as a responder."""
    found: dict[int, tuple[str, date | None]] = {}
    for person in load_people(conn, sorted(ids)):
        try:
            found[person.id] = (person.person, rules.until(person))
        except (ValueError, OverflowError):
            found[person.id] = (person.person, None)  # their own duties are set aside and reported
    return found
