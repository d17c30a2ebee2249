"""Which open cases are worse, what of a unit goes together, and how many units and cases a letter speaks of."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, select

from ..rounds.causes import FAULT, LONG_OVERDUE, NOTICE, OVERDUE, PLAIN, UNRELIABLE, USED
from ..store.recalling import recall
from ..store.tables import cases, sites
from .lists import chunks
from .wording import said

_SEVERITY = {"urgent": 0, "soon": 1, "routine": 2}
# What cases are about that say a unit is not to be relied on; a notice may, too.
UNRELIABLES = frozenset({FAULT, USED, UNRELIABLE})
_LATE = frozenset({OVERDUE, LONG_OVERDUE, NOTICE})
NO_SITE = "the whole fleet"


class Weighed(NamedTuple):
    """A case with what it is ranked and counted by. `since` is its earliest last good day, else when it opened. `units`
    are the ids of its unit or, of a group, of its members'; `unreliable` is whether it says that none of these is to be
    relied on."""

    id: int
    kind: str
    severity: str
    since: date
    site: str
    site_name: str
    works: tuple[str, ...]
    units: frozenset[int]
    unreliable: bool

    @property
    def with_unit(self) -> bool:
        """Whether it is told and taken with whatever else is urgent about its unit."""
        return self.severity == "urgent" and len(self.units) == 1


class Counts(NamedTuple):
    """How many units are not to be relied on; how many other cases say that something is overdue, how many not."""

    unreliable: int
    overdue: int
    others: int


def weigh(conn: Connection, case_ids: Sequence[int]) -> list[Weighed]:
    """Those of the cases that are still open, the worst first: by severity, then the longest overdue."""
    return recall(conn, ("weighed", *case_ids), (cases, sites), lambda: _weigh(conn, case_ids))


_WEIGHED = (
    select(
        cases.c.id,
        cases.c.kind,
        cases.c.severity,
        cases.c.opened_on,
        cases.c.what,
        cases.c.unit_id,
        sites.c.site,
        sites.c.name,
    )
    .outerjoin(sites, sites.c.id == cases.c.site_id)
    .where(cases.c.id.in_(bindparam("b_ids", expanding=True)), cases.c.closed_at.is_(None))
)


def _weigh(conn: Connection, case_ids: Sequence[int]) -> list[Weighed]:
    found = []
    for chunk in chunks(case_ids):
        rows = conn.execute(_WEIGHED, {"b_ids": chunk}).all()
        members: dict[int, set[int]] = {}
        if any(row.unit_id is None for row in rows):
            for group_id, unit_id in conn.execute(_MEMBERS, {"b_ids": chunk}):
                members.setdefault(group_id, set()).add(unit_id)
        for row in rows:
            first_day, works, of_condition = _gist(row.what)
            theirs = members.get(row.id, set()) if row.unit_id is None else {row.unit_id}
            found.append(
                Weighed(
                    row.id,
                    row.kind,
                    row.severity,
                    first_day or row.opened_on,
                    row.site or "",
                    row.name or row.site or NO_SITE,
                    works,
                    frozenset(theirs),
                    row.kind in UNRELIABLES or (row.kind == NOTICE and of_condition),
                )
            )
    return sorted(found, key=lambda case: (_SEVERITY.get(case.severity, 9), case.since, case.id))


_MEMBERS = select(cases.c.group_id, cases.c.unit_id).where(
    cases.c.group_id.in_(bindparam("b_ids", expanding=True)),
    cases.c.unit_id.is_not(None),
    cases.c.closed_at.is_(None),
)


@lru_cache(maxsize=8192)
def _gist(text: str) -> tuple[date | None, tuple[str, ...], bool]:
    """Of what a case is about, the earliest last good day and the works, and whether a unit's condition is."""
    what = json.loads(text)
    days = [date.fromisoformat(item["last_good_day"]) for item in what if item["last_good_day"]]
    works = tuple(_work(item["subject"]) for item in what if item["subject"] not in PLAIN)
    return min(days, default=None), works, any(item["subject"] == "condition" for item in what)


def _work(subject: str) -> str:
    return "put right what was found wrong" if subject.startswith("put right") else said(subject)


def counted(weighed: Sequence[Weighed]) -> Counts:
    """What the subject and the first sentence of a letter say: a unit counts once, whatever is the matter with it."""
    units = {unit_id for case in weighed if case.unreliable for unit_id in case.units}
    kinds = Counter(case.kind in _LATE for case in weighed if not case.unreliable)
    return Counts(len(units), kinds[True], kinds[False])


def by_unit(weighed: Sequence[Weighed]) -> list[list[Weighed]]:
    """The cases in their order, with whatever is urgent about one unit together where the first of it stands."""
    found: dict[object, list[Weighed]] = {}
    for case in weighed:
        found.setdefault(case.units if case.with_unit else case.id, []).append(case)
    return list(found.values())
