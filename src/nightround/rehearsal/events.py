"""What may happen to units, people and sites in a rehearsal, as values. Reads nothing and does nothing.

`at` is when it happens, in UTC; `where` its place in the file that supposes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from ..register.log import NewEntry


@dataclass(frozen=True, slots=True)
class Logged:
    """Something that happens to a unit."""

    at: datetime
    where: str
    unit: str
    entry: NewEntry


@dataclass(frozen=True, slots=True)
class Taken:
    """Somebody says "I have it" of every case of a unit, until an instant."""

    at: datetime
    where: str
    unit: str
    unit_id: int
    person: str
    until: datetime


@dataclass(frozen=True, slots=True)
class Away:
    """Somebody says that they are away from the first to the last of these days, both included."""

    at: datetime
    where: str
    person: str
    from_on: date
    until_on: date


@dataclass(frozen=True, slots=True)
class Closed:
    """A site is said to be closed from the first to the last of these days, both included."""

    at: datetime
    where: str
    site: str
    from_on: date
    until_on: date


@dataclass(frozen=True, slots=True)
class Leaves:
    """Somebody is said to have this last day with us; whoever replaces them ("": nobody) takes over at once."""

    at: datetime
    where: str
    person: str
    on: date
    replaced_by: str


Event = Logged | Taken | Away | Closed | Leaves
