"""Keeps where each case stands on its ladder: reads it, and writes a step only where nobody else did meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple, TypeVar

from sqlalchemy import Connection, bindparam, func, or_, select, update
from sqlalchemy import case as sql_case
from sqlalchemy.dialects import postgresql, sqlite

from .. import waits
from ..rounds.causes import grade
from ..settings import Settings
from ..settings_cases import Cases
from ..store.tables import cases, climbs, messages, sites, tellings
from ..store.types import Instant
from .ladders import Climb, Ladder, Step

T = TypeVar("T")

CLOSED = -2  # the rung under which the letter that says a case is closed is kept
_CLIMB = (climbs.c.lap, climbs.c.rung, climbs.c.turn, climbs.c.since, climbs.c.at, climbs.c.why)


class Open(NamedTuple):
    """An open case that nobody has in hand. `climb` is None where its first step has not begun."""

    id: int
    site_id: int | None
    site_type: str
    severity: str
    found_at_import: bool
    opened_at: datetime
    grade: str  # `rounds.causes.grade`
    climb: Climb | None


class Told(NamedTuple):
    """A telling: to which mailbox, at which step of which lap."""

    mailbox: str
    rung: int
    turn: int


class Heard(NamedTuple):
    """How many letters told somebody of a case since it began, when the last of them was written, and whether all have
    gone: one that has not may yet be given up, and then told nobody. A case begins anew where somebody had it, or where
    it has become worse; not where nobody took it."""

    times: int
    last: datetime
    gone: bool


class Change(NamedTuple):
    """A case that goes on to another step."""

    case_id: int
    was: Climb | None
    now: Climb


class Ladders:
    """The ladders in force, by severity and site type; severities that the settings do not name have the defaults."""

    def __init__(self, settings: Settings) -> None:
        self._by: dict[tuple[str, str], Ladder] = {}
        for said in (*Cases().ladders, *settings.cases.ladders):
            steps = tuple(
                Step(
                    tuple(step.who),
                    waits.read(step.after),
                    waits.read(step.repeat, cadence=True) if step.repeat else None,
                    step.stop_after,
                )
                for step in said.steps
            )
            ladder = Ladder(said.severity, said.told, steps, waits.read(said.again, cadence=True))
            for site_type in said.site_types or [""]:
                self._by[said.severity, site_type] = ladder

    def of(self, severity: str, site_type: str) -> Ladder:
        """The ladder of such a case."""
        return self._by.get((severity, site_type)) or self._by[severity, ""]

    def names(self) -> set[str]:
        """Every word in them that names somebody."""
        return {name for ladder in self._by.values() for step in ladder.steps for name in step.who}


def open_cases(conn: Connection, at: datetime) -> list[Open]:
    """The cases whose cause remains, less those that somebody has in hand at that instant, that rest, or that are told
    by their group."""
    return [
        Open(*row[:2], row[2] or "", *row[3:6], grade(row[6], row[3]), None if row[7] is None else Climb._make(row[7:]))
        for row in conn.execute(_OPEN, {"b_at": at}).all()
    ]


# Built once, like the rest that every look round asks: building a statement takes longer than asking it.
_OPEN = (
    select(
        cases.c.id,
        cases.c.site_id,
        sites.c.site_type,
        cases.c.severity,
        cases.c.found_at_import,
        cases.c.opened_at,
        cases.c.kind,
        *_CLIMB,
        climbs.c.severity.label("climbed_as"),
        climbs.c.fresh,
    )
    .select_from(
        cases.outerjoin(sites, sites.c.id == cases.c.site_id).outerjoin(climbs, climbs.c.case_id == cases.c.id)
    )
    .where(
        cases.c.closed_at.is_(None),
        cases.c.group_id.is_(None),
        cases.c.paused == "",
        or_(
            cases.c.state == "open",
            cases.c.taken_until.is_(None),
            cases.c.taken_until <= bindparam("b_at", type_=Instant),
        ),
    )
    .order_by(cases.c.id)
)


def told_in_lap(conn: Connection, open_now: Sequence[Open]) -> dict[int, set[Told]]:
    """By case, what was told of it in the lap that it is in: of each mailbox and step the last turn only, since a
    step's turns only ever go on."""
    found: dict[int, set[Told]] = {}
    for statement, case_ids in (
        (_TOLD, [case.id for case in open_now if case.climb is not None]),
        (_TOLD_AT_FIRST, [case.id for case in open_now if case.climb is None]),
    ):
        for chunk in _chunks(case_ids, 500):
            for row in conn.execute(statement, {"b_ids": chunk}).all():
                found.setdefault(row[0], set()).add(Told._make(row[1:]))
    return found


_LAST_TURNS = select(tellings.c.case_id, tellings.c.mailbox, tellings.c.rung, func.max(tellings.c.turn)).group_by(
    tellings.c.case_id, tellings.c.mailbox, tellings.c.rung
)
_TOLD = _LAST_TURNS.join(climbs, (climbs.c.case_id == tellings.c.case_id) & (climbs.c.lap == tellings.c.lap)).where(
    climbs.c.case_id.in_(bindparam("b_ids", expanding=True))
)
_TOLD_AT_FIRST = _LAST_TURNS.where(tellings.c.case_id.in_(bindparam("b_ids", expanding=True)), tellings.c.lap == 0)


def heard(conn: Connection, case_ids: Sequence[int]) -> dict[int, dict[str, Heard]]:
    """By case and mailbox, what was heard of it. A letter that was given up told nobody anything."""
    found: dict[int, dict[str, Heard]] = {}
    for chunk in _chunks(case_ids, 500):
        for case_id, mailbox, times, last, gone in conn.execute(_HEARD, {"b_ids": chunk}).all():
            found.setdefault(case_id, {})[mailbox] = Heard(times, last, bool(gone))
    return found


_HEARD = (
    select(
        tellings.c.case_id,
        tellings.c.mailbox,
        func.count(tellings.c.message_id.distinct()),
        func.max(messages.c.created_at),
        func.min(sql_case((messages.c.state == "sent", 1), else_=0)),
    )
    .join(messages, messages.c.id == tellings.c.message_id)
    .outerjoin(climbs, climbs.c.case_id == tellings.c.case_id)
    .where(
        tellings.c.case_id.in_(bindparam("b_ids", expanding=True)),
        tellings.c.rung >= 0,
        tellings.c.lap >= func.coalesce(climbs.c.fresh, 0),
        messages.c.state != "given up",
    )
    .group_by(tellings.c.case_id, tellings.c.mailbox)
)


def keep(conn: Connection, changes: Sequence[Change]) -> set[int]:
    """Writes the changes and gives the cases for which that held; another node was quicker with all others."""
    begun = [{"case_id": change.case_id, **change.now._asdict()} for change in changes if change.was is None]
    gone_on = [change for change in changes if change.was is not None]
    held: set[int] = set()
    if begun:
        held |= set(conn.execute(_BEGIN[conn.dialect.name], begun).scalars())
    for chunk in _chunks(gone_on):
        held |= _go_on(conn, chunk)
    return held


def _go_on(conn: Connection, changes: Sequence[Change]) -> set[int]:
    """Of cases that have begun already. Their rows are locked, so that what is seen here still holds when it is
    written."""
    rows = conn.execute(_STAND, {"b_ids": [change.case_id for change in changes]})
    stand = {case_id: mark for case_id, *mark in rows.all()}
    still = [
        change for change in changes if change.was is not None and stand.get(change.case_id) == list(change.was[:3])
    ]
    if still:
        moved = [
            {"b_case": change.case_id, **{f"b_{name}": value for name, value in change.now._asdict().items()}}
            for change in still
        ]
        conn.execute(_GO_ON, moved)
    return {change.case_id for change in still}


_BEGIN = {
    dialect.name: insert(climbs).on_conflict_do_nothing().returning(climbs.c.case_id)
    for dialect, insert in ((postgresql.dialect, postgresql.insert), (sqlite.dialect, sqlite.insert))
}
_STAND = (
    select(climbs.c.case_id, climbs.c.lap, climbs.c.rung, climbs.c.turn)
    .where(climbs.c.case_id.in_(bindparam("b_ids", expanding=True)))
    .order_by(climbs.c.case_id)
    .with_for_update()
)
_GO_ON = (
    update(climbs)
    .where(climbs.c.case_id == bindparam("b_case"))
    .values({name: bindparam(f"b_{name}") for name in Climb._fields})
)


def put_back(conn: Connection, case_id: int, until: datetime, graded: str) -> None:
    """A case that somebody takes begins at the top when their time is over; until then nothing is told of it."""
    row = conn.execute(select(climbs.c.lap).where(climbs.c.case_id == case_id)).first()
    lap = 0 if row is None else row.lap + 1
    top = Climb(lap, -1, 0, until, until, "taken", graded, lap)
    if row is None:
        keep(conn, [Change(case_id, None, top)])
    else:
        conn.execute(update(climbs).where(climbs.c.case_id == case_id).values(**top._asdict()))


def _chunks(listed: Sequence[T], size: int = 200) -> Iterable[Sequence[T]]:
    for start in range(0, len(listed), size):
        yield listed[start : start + size]
