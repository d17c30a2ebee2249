"""Letters about what strangers report: a limit of their own, so that they never take anybody else's place.

A case is a stranger's as long as only reports at the cabinet's code stand behind it; once anybody who is known writes
into the unit's log after the report it is a case like any other. Letters about strangers' cases alone are counted by
mailbox: about one cabinet, from one network (`cases.strangers_hour` each), and all of them (`cases.person_hour`). One
that is more than that waits; whatever letter goes takes with it all that waits for the same reader. Looks only.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, func, select

from ..register.strangers import PAGE
from ..rounds.causes import URGENT
from ..settings import Settings
from ..store.recalling import recall
from ..store.tables import cases, log, messages, strangers_reports, tellings
from ..store.types import Instant
from .lists import chunks
from .planned import Errand

HOUR = timedelta(hours=1)
# A report is reckoned at once, or with the next tick; a case that opened later than this has another beginning.
AT_ONCE = timedelta(minutes=15)

Keys = frozenset[str]  # the cabinet and the networks behind a case


@dataclass
class Strangers:
    """The strangers' cases among those looked at, and which letters of the last hour were about such cases alone."""

    most: int = 0
    most_of_all: int = 0
    cases: Mapping[int, Keys] = field(default_factory=dict)
    letters: frozenset[int] = frozenset()
    _gone: dict[tuple[str, str], list[datetime]] = field(default_factory=dict)

    def room_at(self, errand: Errand, now: datetime) -> datetime:
        """When a letter may go that is about strangers' cases alone; `now` for any that has its place."""
        if not errand.marks.keys() <= self.cases.keys() or any(mark[1] < 0 for mark in errand.marks.values()):
            return now
        box = errand.reader.mailbox
        ready = min(
            max(self._room(box, key, self.most, now) for key in self.cases[case_id]) for case_id in errand.marks
        )
        return max(ready, self._room(box, _ALL, self.most_of_all, now))

    def take_place(self, errand: Errand, now: datetime) -> bool:
        """Counts the letter, if it is about strangers' cases alone; says whether it was."""
        if not errand.marks or not errand.marks.keys() <= self.cases.keys():
            return False
        for key in {_ALL}.union(*(self.cases[case_id] for case_id in errand.marks)):
            self._gone.setdefault((errand.reader.mailbox, key), []).append(now)
        return True

    def frees(self) -> Iterator[datetime]:
        """When places become free again, where so many are taken that something may be held back."""
        for (_, key), times in self._gone.items():
            if len(times) >= (self.most_of_all if key == _ALL else self.most):
                yield from (at + HOUR for at in times)

    def count(self, mailbox: str, keys: Iterable[str], at: datetime) -> None:
        """A letter of the last hour."""
        for key in {_ALL, *keys}:
            self._gone.setdefault((mailbox, key), []).append(at)

    def _room(self, mailbox: str, key: str, most: int, now: datetime) -> datetime:
        gone = self._gone.get((mailbox, key), [])
        return now if len(gone) < most else gone[-most] + HOUR


_ALL = "all"


def strangers(conn: Connection, settings: Settings, now: datetime, about: Iterable[int] = ()) -> Strangers:
    """What of those cases is strangers' word alone, and what went of that within the hour."""
    if not _anything(conn):
        return Strangers()
    gone: dict[int, tuple[str, datetime, set[int]]] = {}
    for message_id, mailbox, at, case_id in conn.execute(_WENT, {"b_after": now - HOUR, "b_until": now}):
        gone.setdefault(message_id, (mailbox, at, set()))[2].add(case_id)
    looked_at = {*about, *(case_id for _, _, told in gone.values() for case_id in told)}
    behind = _behind(conn, looked_at)
    letters = {
        message_id: one
        for message_id, one in gone.items()
        if all(case_id in behind and behind[case_id].alone_at(one[1]) for case_id in one[2])
    }
    theirs = {case_id: one.keys for case_id, one in behind.items() if one.confirmed_at is None}
    found = Strangers(settings.cases.strangers_hour, settings.cases.person_hour, theirs, frozenset(letters))
    for mailbox, at, told in letters.values():
        found.count(mailbox, frozenset().union(*(behind[case_id].keys for case_id in told)), at)
    return found


def _anything(conn: Connection) -> bool:
    """Whether any stranger reported anything in the last day: nearly always the end of the matter."""
    return recall(conn, "strangers", (strangers_reports,), lambda: conn.execute(_ANYTHING).first() is not None)


_ANYTHING = select(strangers_reports.c.entry_id).limit(1)
_WENT = (
    select(messages.c.id, func.lower(messages.c.to_address), messages.c.created_at, tellings.c.case_id)
    .join(tellings, tellings.c.message_id == messages.c.id)
    .where(
        messages.c.created_at > bindparam("b_after", type_=Instant),
        messages.c.created_at <= bindparam("b_until", type_=Instant),
        messages.c.kind == "escalation",
    )
    .order_by(messages.c.created_at, messages.c.id)
)


class _Behind(NamedTuple):
    """The strangers behind a case, and since when somebody who is known stands behind it too."""

    keys: Keys
    confirmed_at: datetime | None

    def alone_at(self, at: datetime) -> bool:
        """Whether it was strangers' word alone then."""
        return self.confirmed_at is None or at < self.confirmed_at


def _behind(conn: Connection, case_ids: Iterable[int]) -> dict[int, _Behind]:
    """Those of the cases that began with strangers' reports."""
    found: dict[int, set[str]] = {}
    first: dict[int, tuple[int, datetime]] = {}
    for chunk in chunks(sorted(case_ids)):
        query = (
            select(cases.c.id, cases.c.unit_id, cases.c.opened_at, strangers_reports.c.at, strangers_reports.c.source)
            .join(strangers_reports, strangers_reports.c.unit_id == cases.c.unit_id)
            .where(cases.c.id.in_(chunk), cases.c.severity == URGENT, strangers_reports.c.at <= cases.c.opened_at)
            .order_by(strangers_reports.c.at, strangers_reports.c.entry_id)
        )
        for case_id, unit_id, opened_at, at, source in conn.execute(query):
            if at >= opened_at - AT_ONCE:
                found.setdefault(case_id, {f"cabinet {unit_id}"}).add(f"network {source}")
                first.setdefault(case_id, (unit_id, at))
    spoken = _known_since(conn, {unit_id for unit_id, _ in first.values()})
    return {
        case_id: _Behind(
            frozenset(keys),
            min((at for at in spoken.get(first[case_id][0], ()) if at >= first[case_id][1]), default=None),
        )
        for case_id, keys in found.items()
    }


def _known_since(conn: Connection, unit_ids: set[int]) -> dict[int, list[datetime]]:
    """By unit, when anybody but a stranger wrote into its log since the first report that is still marked."""
    since = conn.execute(_FIRST).scalar_one_or_none()
    found: dict[int, list[datetime]] = {}
    if since is None:
        return found
    for chunk in chunks(sorted(unit_ids)):
        query = select(log.c.unit_id, log.c.written_at).where(
            log.c.unit_id.in_(chunk),
            log.c.written_at >= since,
            log.c.entry != "struck",
            (log.c.by_person != "") | (log.c.source != PAGE),
        )
        for unit_id, at in conn.execute(query):
            found.setdefault(unit_id, []).append(at)
    return found


_FIRST = select(func.min(strangers_reports.c.at))
