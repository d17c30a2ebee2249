"""When somebody's turn comes to be told of a case: at once where it is news to them, else with a letter of the day.

Repeats of one case to one person are days apart, more days each time (`cases.repeat_days`), and all of a day go in one
letter at the reader's hour of letters. Decides from values; looks up no more than who had such a letter lately.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, bindparam, func, select

from ..cases import ladders
from ..cases.climbing import Heard
from ..cases.hours import Hours
from ..cases.ladders import Climb, Ladder
from ..reckoning.dates import ONE_DAY, local_day, local_instant
from ..store.tables import messages
from ..store.types import Instant
from .brake import REPEAT

# A letter that is due at seven is written at the first look after it, and is no reason to leave out the next day.
SLACK = timedelta(minutes=15)
_LATELY = timedelta(days=2)


class Turn(NamedTuple):
    """`due` is when they are to be told, `at` from when on their hours allow it too; both may lie behind."""

    due: datetime
    at: datetime


def first(ladder: Ladder, climb: Climb, hours: Hours, now: datetime, *, known: bool) -> datetime:
    """When somebody to whom it is news may be told. What can wait and is `known` to somebody else comes with what else
    there is that day."""
    at = ladders.ready(ladder, climb, hours, now)
    if known and climb.rung > 0 and climb.severity != "urgent":
        at = max(at, ladder.allowed(hours, hours.next_letters(climb.at)))
    return at


def repeat(days: list[int], ladder: Ladder, climb: Climb, hours: Hours, heard: Heard, lately: datetime | None) -> Turn:
    """The turn of somebody who was told already. `lately` is when their last letter with repeats was written."""
    earliest = max(_days_later(heard.last, _gap(days, heard), hours.zone), climb.at) - SLACK
    if lately is not None:
        tomorrow = local_instant(local_day(lately, hours.zone) + ONE_DAY, hours.times.letters_at, hours.zone)
        earliest = max(earliest, tomorrow)
    due = hours.next_letters(earliest)
    return Turn(due, ladder.allowed(hours, max(due, climb.at)))


def repeat_day(days: list[int], hours: Hours, heard: Heard) -> date:
    """The civil day on which they are told again, by a round of another date."""
    return local_day(heard.last, hours.zone) + _gap(days, heard) * ONE_DAY


def _gap(days: list[int], heard: Heard) -> int:
    return days[min(heard.times, len(days)) - 1]


def _days_later(at: datetime, days: int, zone: str) -> datetime:
    """The same wall time so many days later."""
    local = at.astimezone(ZoneInfo(zone))
    return local_instant(local.date() + days * ONE_DAY, local.time(), zone)


def last_repeats(conn: Connection, now: datetime) -> dict[str, datetime]:
    """By mailbox, when the last letter with repeats was written, if it was within two days."""
    found = conn.execute(_LAST_REPEATS, {"b_since": now - _LATELY, "b_until": now})
    return {row[0]: row[1] for row in found}


_LAST_REPEATS = (
    select(func.lower(messages.c.to_address), func.max(messages.c.created_at))
    .where(
        messages.c.created_at > bindparam("b_since", type_=Instant),
        messages.c.created_at <= bindparam("b_until", type_=Instant),
        messages.c.counts_as == REPEAT,
    )
    .group_by(func.lower(messages.c.to_address))
)
