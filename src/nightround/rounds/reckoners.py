"""Keeps the reckoners of a day, one a kind of place, and the safety notices in force that they are to ask for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from sqlalchemy import Connection

from ..reckoning.dates import working_days
from ..reckoning.duties import Reckoner
from ..reckoning.facts import Place
from ..reckoning.noticed import Board
from ..reckoning.rules import binding
from ..register.notices import current, newest
from .loading import Loaded, load
from .rulebook import RuleBook


class Reckoners:
    """Loads units and gives who reckons them. While no notice is in force, nothing is read on their account."""

    def __init__(self, book: RuleBook, conn: Connection) -> None:
        self._book = book
        self._known: dict[tuple[Place, date], Reckoner] = {}
        self._newest: int | None = None
        self._board: Board | None = None
        self._gravest: frozenset[str] = frozenset()
        self.renew(conn)

    @property
    def marks(self) -> bool:
        """Whether facts must be loaded with the marks by which notices find a unit."""
        return self._board is not None

    def is_gravest(self, reference: str) -> bool:
        """Whether the notice of that reference is of the gravest class."""
        return reference in self._gravest

    def renew(self, conn: Connection) -> None:
        """Reads the notices anew if one was added since; a round that is under way takes it up with its next batch."""
        latest = newest(conn)
        if latest != self._newest:
            self._newest = latest
            notices = current(conn)
            self._gravest = frozenset(notice.reference for notice in notices if notice.gravest)
            self._board = Board(notices, self._book.sheets)
            self._known.clear()

    def load(self, conn: Connection, ids: Sequence[int]) -> Iterator[Loaded]:
        """These units (ids in rising order), with all that the rules and the notices in force ask for."""
        self.renew(conn)
        return load(conn, ids, marks=self.marks)

    def at(self, place: Place, day: date) -> Reckoner:
        """The reckoner for that kind of place on that day."""
        known = self._known.get((place, day))
        if known is None:
            rules = binding(self._book.rules, place, day)
            working = working_days(place.country, place.subdivision)
            known = Reckoner(place, rules, self._book.sheets, working, day, self._board)
            self._known[place, day] = known
        return known
