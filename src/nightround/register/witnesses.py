"""Whose word in the log counts as evidence: people on record, while they are with us, their last day included.

What somebody wrote after their last day counts as from a passer-by: only what is bad news.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import Connection, select

from ..reckoning.dates import local_day
from ..store.tables import log, people, person_sites, sites

_BATCH = 500


class Term(NamedTuple):
    """How long somebody is with us: `left_on` is their last day (None: they stay), a civil day in `zone`, which is ""
    for somebody without a time zone or site of their own: then it is a day where the unit stands."""

    left_on: date | None
    zone: str

    def holds(self, at: datetime, zone: str) -> bool:
        """Whether they were with us at that instant; `zone` is where the unit stood."""
        return self.left_on is None or local_day(at, self.zone or zone) <= self.left_on


Witnesses = Mapping[str, Term]

# The time zone of the first site of a person.
FIRST_ZONE = (
    select(sites.c.time_zone)
    .join(person_sites, person_sites.c.site_id == sites.c.id)
    .where(person_sites.c.person_id == people.c.id)
    .order_by(sites.c.id)
    .limit(1)
    .correlate(people)
    .scalar_subquery()
)


def witnesses(conn: Connection) -> Witnesses:
    """Everybody on record, by code."""
    found = {code: Term(None, "") for code in conn.execute(select(people.c.person)).scalars()}
    leaving = select(people.c.person, people.c.left_on, people.c.time_zone, FIRST_ZONE)
    for code, left_on, own, first in conn.execute(leaving.where(people.c.left_on.is_not(None))):
        found[code] = Term(left_on, own or first or "")
    return found


def logged_by(conn: Connection, codes: Iterable[str]) -> set[int]:
    """The units, by number, whose log holds entries by one of these people."""
    listed = sorted(set(codes))
    found: set[int] = set()
    for start in range(0, len(listed), _BATCH):
        some = listed[start : start + _BATCH]
        found |= set(conn.execute(select(log.c.unit_id).where(log.c.by_person.in_(some)).distinct()).scalars())
    return found
