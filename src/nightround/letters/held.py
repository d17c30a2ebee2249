"""What the limits of an hour hold back at this moment: how many letters, since when, until when. Looks only.

Nothing of it is stored: it is what the sweep would find now. Holds counts and who waits; never what a case is about.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select

from ..cases import ladders
from ..cases.climbing import CLOSED, Ladders
from ..cases.ladders import Climb
from ..settings import Settings
from ..store.tables import cases, climbs, messages, sites
from . import brake, opening
from .audience import ABOUT_CASES
from .errands import plan
from .lists import chunks
from .planned import Held
from .templates import say_count

SHOWN = 3
_AT_ONCE = 500
_CLIMB = (climbs.c.lap, climbs.c.rung, climbs.c.turn, climbs.c.since, climbs.c.at)

Say = Callable[[datetime], str]


@dataclass(frozen=True, slots=True)
class Waiting:
    """Somebody whose letter is held: about how many cases, since when, when there is room again, and by which limit
    (`person_hour`, `fleet_hour` or `strangers_hour`). `person` is "" for an address that a ladder names."""

    person: str
    called: str
    cases: int
    since: datetime
    room_at: datetime
    limit: str


@dataclass(frozen=True, slots=True)
class HeldBack:
    """All of it. `letters` and `cases` count each once; `room_at` is when the first of them can go."""

    letters: int
    cases: int
    since: datetime
    room_at: datetime
    limits: dict[str, int]
    people: tuple[Waiting, ...]

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self) | {"people": [asdict(one) for one in self.people]}

    def line(self, say: Say, *, named: bool) -> str:
        """One sentence, without a full stop; with the names of those who wait where they are to be `named`."""
        names = list(dict.fromkeys(one.called for one in self.people))
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        whom = f" to {', '.join(names[:SHOWN])}{more}," if named else ""
        one = self.letters == 1
        return (
            f"Held back: {say_count(self.letters, 'letter')} about {say_count(self.cases, 'case')},{whom} "
            f"since {say(self.since)}, because {self._why()}; "
            f"there is room {'' if one else 'for the first '}again at {say(self.room_at)}"
        )

    def _why(self) -> str:
        said = [
            f"{most} within an hour are the limit of {_WHOSE[limit]} (cases.{limit})"
            for limit, most in self.limits.items()
        ]
        return " and ".join(said)


_WHOSE = {
    brake.PERSON: "a mailbox",
    brake.FLEET: "the fleet",
    brake.STRANGERS: "what strangers report at one cabinet or from one network",
}


def held_back(
    conn: Connection, settings: Settings, now: datetime, seen: ColumnElement[bool] | None = None
) -> HeldBack | None:
    """What is held back now of the cases that `seen` lets through, a condition on `cases` and `sites` (None: of all).

    None where nothing is.
    """
    if not brake.Hour(conn, settings, now).freed():
        return None
    held = plan(conn, settings, now).held
    known = _details(conn, {case_id for one in held for case_id in one.errand.marks}, seen)
    ladders_now = Ladders(settings)
    last = _last_letters(conn, {one.errand.reader.mailbox for one in held})
    people: list[Waiting] = []
    told_of: set[int] = set()
    for one in held:
        reader = one.errand.reader
        rows = [known[case_id] for case_id in one.errand.marks if case_id in known]
        if not rows:
            continue
        first = min(_since(settings, ladders_now, one, row, now) for row in rows)
        # Whatever was owed to them when the last letter of the kind was written stood in it.
        since = max(first, last.get((reader.mailbox, one.errand.counts_as), first))
        people.append(Waiting(reader.person, reader.called, len(rows), since, one.room_at, one.limit))
        told_of.update(row.id for row in rows)
    if not people:
        return None
    limits = {name: getattr(settings.cases, name) for name in _WHOSE if any(one.limit == name for one in people)}
    since, room_at = min(one.since for one in people), min(one.room_at for one in people)
    return HeldBack(len(people), len(told_of), since, room_at, limits, tuple(people))


def _details(conn: Connection, case_ids: Iterable[int], seen: ColumnElement[bool] | None) -> dict[int, Any]:
    """Those of the cases that may be seen, with where each stands on its ladder."""
    found = {}
    for chunk in chunks(sorted(case_ids)):
        query = (
            select(cases.c.id, cases.c.severity, cases.c.opened_at, cases.c.closed_at, sites.c.site_type, *_CLIMB)
            .select_from(
                cases.outerjoin(sites, sites.c.id == cases.c.site_id).outerjoin(climbs, climbs.c.case_id == cases.c.id)
            )
            .where(cases.c.id.in_(chunk))
        )
        found.update({row.id: row for row in conn.execute(query if seen is None else query.where(seen))})
    return found


def _since(settings: Settings, known: Ladders, held: Held, row: Any, now: datetime) -> datetime:
    """Since when that person should have been told of that case: when the step began, or the case was closed, and
    their hours allowed it."""
    ladder = known.of(row.severity, row.site_type or "")
    hours = held.errand.reader.hours(settings)
    mark = held.errand.marks[row.id]
    if mark[1] == CLOSED:
        return min(now, ladder.allowed(hours, row.closed_at))
    if row.lap is None or (row.lap, row.rung, row.turn) != mark:
        # It has only just come to that step, or came in with its unit and is told beside its ladder.
        return row.opened_at if held.kind == opening.KIND else now
    climb = Climb(*mark, row.since, row.at, "", row.severity)
    return min(now, ladders.ready(ladder, climb, hours, row.at))


def _last_letters(conn: Connection, mailboxes: Iterable[str]) -> dict[tuple[str, str], datetime]:
    """When the last letter about cases to each of the mailboxes was written, by what it counts as."""
    found: dict[tuple[str, str], datetime] = {}
    address = func.lower(messages.c.to_address)
    listed = sorted(mailboxes)
    for start in range(0, len(listed), _AT_ONCE):
        query = (
            select(address, messages.c.counts_as, func.max(messages.c.created_at))
            .where(address.in_(listed[start : start + _AT_ONCE]), messages.c.kind.in_(ABOUT_CASES))
            .group_by(address, messages.c.counts_as)
        )
        found.update({(mailbox, counted): at for mailbox, counted, at in conn.execute(query)})
    return found
