"""Loads people with their certificates, a batch at a time, and reckons what each of them owes. Writes nothing.

A person's duties are kept at the first of their sites and reckoned in the round of its zone. Whoever has no site of
their own, as a coordinator of the whole fleet, is kept at the first in the zone of the settings, else at the first.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterator, Sequence
from datetime import date
from functools import lru_cache
from itertools import groupby
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, String, bindparam, cast, func, literal, or_, select

from ..reckoning.certificates import certificate_duties, in_date_until, rules_of
from ..reckoning.facts import Certificate, Place
from ..reckoning.owed import Duty
from ..reckoning.rules import Rule
from ..store.recalling import ANY, recall
from ..store.tables import duties, people, person_sites, sites, training
from .loading import KEPT, STORED, Stored, stored_duty
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

    def ask() -> list[tuple[int, int]]:
        rows = conn.execute(_homes_query(zone is not None), {"b_fleet_zone": fleet_zone, "b_zone": zone})
        return [(person_id, site_id) for person_id, site_id in rows]

    return recall(conn, ("homes", zone), _HOMES_IN, ask, zone or ANY, (duties,))


_HOMES_IN = (people, person_sites, sites, training)


@lru_cache(maxsize=2)
def _homes_query(of_zone: bool) -> Select[Any]:
    """The first site of each; of who has none, the first in the fleet's zone, else the first of all."""
    there = sites.alias("there")
    of_theirs = (
        select(func.min(person_sites.c.site_id)).where(person_sites.c.person_id == people.c.id).correlate(people)
    )
    of_fleet = select(func.min(there.c.id))
    in_fleet_zone = of_fleet.where(there.c.time_zone == bindparam("b_fleet_zone"))
    first = func.coalesce(*(query.scalar_subquery() for query in (of_theirs, in_fleet_zone, of_fleet)))
    owing = select(duties.c.id).where(duties.c.holder == literal("p") + cast(people.c.id, String)).correlate(people)
    known = (
        select(people.c.id, first.label("home"))
        .where(or_(people.c.id.in_(select(training.c.person_id)), owing.exists()))
        .subquery()
    )
    # The zone is looked up for each person: a join would tempt a database to look at every site of it each time.
    zone = select(sites.c.time_zone).where(sites.c.id == known.c.home).scalar_subquery()
    wanted = zone == bindparam("b_zone") if of_zone else known.c.home.is_not(None)
    return select(known.c.id, known.c.home).where(wanted).order_by(known.c.id)


_CERTIFICATES = (
    select(training.c.person_id, training.c.certificate, training.c.issued_on, training.c.last_good_day)
    .where(training.c.person_id.in_(bindparam("b_ids", expanding=True)))
    .order_by(training.c.id)
)
# Each person once for every kind of place that their sites are; once where they have none.
_PERSONS = (
    select(
        people.c.id,
        people.c.person,
        people.c.name,
        people.c.left_on,
        people.c.whole_fleet,
        sites.c.country,
        sites.c.subdivision,
        sites.c.site_type,
    )
    .outerjoin(person_sites, person_sites.c.person_id == people.c.id)
    .outerjoin(sites, sites.c.id == person_sites.c.site_id)
    .where(people.c.id.in_(bindparam("b_ids", expanding=True)))
    .order_by(people.c.id)
    .distinct()
)
_EVERYWHERE = select(sites.c.country, sites.c.subdivision, sites.c.site_type).distinct()
_STORED = select(*STORED, duties.c.holder, *KEPT).where(duties.c.holder.in_(bindparam("b_holders", expanding=True)))


def load_people(conn: Connection, ids: Sequence[int]) -> Iterator[Person]:
    """These people, in the order of their numbers."""
    wanted = sorted(ids)
    if len(wanted) > _CHUNK:
        yield from _read_people(conn, wanted)
    else:
        read = (people, person_sites, sites, training)
        yield from recall(conn, ("people", *wanted), read, lambda: list(_read_people(conn, wanted)))


def _read_people(conn: Connection, wanted: Sequence[int]) -> Iterator[Person]:
    everywhere: frozenset[Place] | None = None
    for start in range(0, len(wanted), _CHUNK):
        some = {"b_ids": wanted[start : start + _CHUNK]}
        certificates: dict[int, list[Certificate]] = {}
        for person_id, *rest in conn.execute(_CERTIFICATES, some):
            certificates.setdefault(person_id, []).append(Certificate(*rest))
        for (person_id, person, name, left_on, whole_fleet), rows in groupby(conn.execute(_PERSONS, some).all(), _who):
            theirs = frozenset(Place("", *row[5:]) for row in rows if row[5] is not None)
            if whole_fleet:
                if everywhere is None:
                    everywhere = frozenset(Place("", *row) for row in conn.execute(_EVERYWHERE))
                theirs = everywhere
            yield Person(person_id, person, name, left_on, tuple(certificates.get(person_id, ())), theirs)


def _who(row: Any) -> tuple[Any, ...]:
    return tuple(row[:5])


def stored_of(conn: Connection, ids: Sequence[int], zone: str) -> dict[int, tuple[set[int], dict[str, Stored]]]:
    """By person: the sites at which duties of theirs are kept, and those duties as the last round left them.

    All of them are looked at in the round of that zone.
    """
    return recall(conn, ("person duties", *ids), _HOMES_IN, lambda: _stored_of(conn, ids), zone, (duties,))


def _stored_of(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[set[int], dict[str, Stored]]]:
    found: dict[int, tuple[set[int], dict[str, Stored]]] = {}
    for start in range(0, len(ids), _CHUNK):
        holders = [f"p{person_id}" for person_id in ids[start : start + _CHUNK]]
        for row in conn.execute(_STORED, {"b_holders": holders}).all():
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
