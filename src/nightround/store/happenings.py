"""What happened to the service itself, told to people later; and its last signs of life. Never about a unit.

A happening is written once, in the unit of work in which it was found, and stays. A sign of life is one row a name
that says when something last went well; the row is overwritten, so that the table never grows.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Integer, Text, bindparam, insert, or_, select
from sqlalchemy.dialects import postgresql, sqlite

from .tables import beats, happenings
from .types import Instant


class Kind(StrEnum):
    """What kinds of things happen to a service."""

    DOWNTIME = "downtime"  # nobody looked round for a while
    CLOCK_BACK = "clock-back"
    CLOCK_FORWARD = "clock-forward"  # it leapt while the service ran
    RULES_CHANGED = "rules-changed"
    IMPORT = "import"  # a big one
    DISK_FULL = "disk-full"  # written down once there is room again
    MAIL_DOWN = "mail-down"  # written down once letters go again


@dataclass(frozen=True, slots=True)
class Happening:
    """`at`: the instant at which it was found, by the clock of that moment. `said`: whole sentences for a reader.

    `before`: where something lasted, since when; where the clock was set, what it had said until then. `id` grows
    in the order of writing, also where the clock went back.
    """

    at: datetime
    kind: str
    said: str
    before: datetime | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Beat:
    """A sign of life: when, with what note, and how often the note has changed so far."""

    at: datetime
    note: str
    turns: int


SERVICE = "service"  # the service looked round
ROUND = "round"  # a round ended
MAIL = "mail"  # a mail server took a letter
CLOCK = "clock"  # a person took the clock for right at `at`; the note is the newest instant to come on record then
RECKONING = "reckoning"  # somebody is at what is marked (`store.marks`); the note is empty once they are done
RULES = "rules"  # a round ran by the rule book that the note describes
MAIL_LOST = "mail-lost"  # since `at` no mail server can be used, for the reason in the note; "" where one can
COPIES = "copies/"  # begins the names under which the folders are noted in which copies of the register were begun
LETTERS_STUCK = "letters-stuck"  # found at `at`, the note says what calendars tell of it; "" where letters go


def record(conn: Connection, kind: str, said: str, at: datetime, before: datetime | None = None) -> Happening:
    """Writes down what happened. `said` must hold nothing that only some readers may know: everybody is told."""
    number = conn.execute(
        insert(happenings).values(at=at, kind=str(kind), said=said, before=before).returning(happenings.c.id)
    ).scalar_one()
    return Happening(at, str(kind), said, before, int(number))


def since(conn: Connection, after: datetime) -> list[Happening]:
    """What was found later than that instant, in the order of writing.

    Where the clock went back, `after` may lie on the old clock: such a happening counts as long as the clock had
    already shown `after` when it was set back.
    """
    back = (happenings.c.kind == str(Kind.CLOCK_BACK)) & (happenings.c.before > after)
    rows = conn.execute(select(happenings).where(or_(happenings.c.at > after, back)).order_by(happenings.c.id))
    return [Happening(row.at, row.kind, row.said, row.before, row.id) for row in rows]


def last(conn: Connection, kind: str) -> Happening | None:
    """The newest of that kind; None where there was none."""
    row = conn.execute(_LAST, {"b_kind": str(kind)}).first()
    return None if row is None else Happening(row.at, row.kind, row.said, row.before, row.id)


_LAST = select(happenings).where(happenings.c.kind == bindparam("b_kind")).order_by(happenings.c.id.desc()).limit(1)


def beat(conn: Connection, name: str) -> Beat | None:
    """The last sign of life of that name; None where there was none."""
    row = conn.execute(_BEAT, {"b_name": name}).first()
    return None if row is None else Beat(row.at, row.note, row.turns)


def all_beats(conn: Connection) -> dict[str, Beat]:
    """The last signs of life by name."""
    return {row.name: Beat(row.at, row.note, row.turns) for row in conn.execute(_BEATS)}


_BEATS = select(beats.c.name, beats.c.at, beats.c.note, beats.c.turns)
_BEAT = _BEATS.where(beats.c.name == bindparam("b_name"))


def mark(conn: Connection, name: str, at: datetime, note: str = "", *, turned: bool = False) -> None:
    """Writes a sign of life in the place of the one before. `turned` counts it among the changes of the note."""
    conn.execute(_mark(conn.dialect.name), {"b_name": name, "b_at": at, "b_note": note, "b_turned": int(turned)})


@lru_cache
def _mark(dialect: str) -> Any:
    at, note = bindparam("b_at", type_=Instant), bindparam("b_note", type_=Text)
    turned = bindparam("b_turned", type_=Integer)
    statement = (postgresql if dialect == "postgresql" else sqlite).insert(beats)
    return statement.values(name=bindparam("b_name"), at=at, note=note, turns=turned).on_conflict_do_update(
        index_elements=["name"], set_={"at": at, "note": note, "turns": beats.c.turns + turned}
    )


def said_at(at: datetime, zone: str) -> str:
    """An instant for people, to the minute, with its zone's name."""
    local = at.astimezone(ZoneInfo(zone))
    return f"{local:%Y-%m-%d %H:%M} ({local.tzname()})"
