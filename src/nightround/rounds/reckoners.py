"""Keeps the reckoners of a day, one a kind of place, and the safety notices in force that they are to ask for."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from datetime import date
from functools import partial

from sqlalchemy import Connection, func, select

from ..reckoning.dates import working_days
from ..reckoning.duties import Reckoner
from ..reckoning.facts import Cover, Place
from ..reckoning.noticed import Board
from ..reckoning.owed import Condition, Reckoned
from ..reckoning.rules import binding
from ..register.notices import current
from ..store.recalling import recall
from ..store.tables import loans, notices, parts
from .loading import ANY_LENT, Lent, Loaded, lent, load
from .rulebook import RuleBook
from .sharing import ANY_KEPT, with_promises

logger = logging.getLogger("nightround.rounds")

# A loan unit in one of these conditions can be relied on; one that nobody has checked covers nothing.
_HOLDS = (Condition.IN_SERVICE, Condition.WORK_DUE)
NEWEST = select(func.max(notices.c.id)).scalar_subquery()  # see `register.notices.newest`
_NEWS = select(NEWEST, ANY_LENT, ANY_KEPT)


class Reckoners:
    """Loads units and gives who reckons them. While no notice is in force, nothing is read on their account.

    Without a connection the notices are read with the first units that are loaded, and nobody may be asked before.
    """

    def __init__(self, book: RuleBook, conn: Connection | None = None) -> None:
        self._book = book
        self._known: dict[tuple[Place, date], Reckoner] = {}
        self._binding: dict[tuple[Place, date], frozenset[str]] = {}
        self._newest: int | None = None
        self._board: Board | None = None
        self._gravest: frozenset[str] = frozenset()
        self._lending = True
        self._sharing = True
        if conn is not None:
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
        read = (loans, notices, parts)
        latest, self._lending, self._sharing = recall(conn, "news", read, lambda: conn.execute(_NEWS).one())
        self.take(conn, latest)

    def take(self, conn: Connection, latest: int | None) -> None:
        """As `renew`, for who knows already which number `register.notices.newest` gives."""
        if latest != self._newest:
            self._newest = latest
            in_force = recall(conn, "in force", (notices,), lambda: current(conn))
            self._gravest = frozenset(notice.reference for notice in in_force if notice.gravest)
            self._board = Board(in_force, self._book.sheets)
            self._known.clear()

    def load(self, conn: Connection, ids: Sequence[int], day: date, zone: str = "") -> Iterator[Loaded]:
        """These units (ids in rising order), with all that the rules and the notices in force ask for.

        `day` is that on which the loan units in their places are reckoned; `zone` says that all of them stand in it.
        """
        self.renew(conn)
        loaded = load(conn, ids, marks=self.marks, zone=zone)
        if ids and self._sharing:
            loaded = with_promises(conn, loaded, ids, day, self.at)
        loans = lent(conn, ids) if ids and self._lending else []
        return self._covered(conn, loaded, loans, day) if loans else loaded

    def _covered(self, conn: Connection, found: Iterator[Loaded], loans: list[Lent], day: date) -> Iterator[Loaded]:
        """The same units, each with the loan unit in its place, one that can be relied on before one that cannot.

        Whether a loan unit has to order something does not matter to that, so nothing is asked of its site's spares.
        """
        covers: dict[int, Cover] = {}
        since = {loan.loan_id: loan for loan in loans}
        for other in load(conn, sorted(since), marks=self.marks):
            loan = since[other.id]
            condition = self._condition(other, day)
            holds = condition in _HOLDS
            known = covers.get(loan.covers_id)
            if known is None or (holds, known.since) >= (known.holds, loan.since):
                covers[loan.covers_id] = Cover(other.facts.unit, loan.since, str(condition), holds)
        for loaded in found:
            cover = covers.get(loaded.id)
            yield loaded if cover is None else loaded._replace(facts=loaded.facts._replace(cover=cover))

    def _condition(self, other: Loaded, day: date) -> str:
        """The condition of a loan unit. One with impossible facts is reported by its own round, and covers nothing."""
        try:
            return self.at(other.place, day).unit(other.facts).condition
        except (ValueError, OverflowError, LookupError, TypeError):
            return Condition.NO_EVIDENCE

    def reckon(
        self, conn: Connection, ids: Sequence[int], day: date, findings: list[dict[str, str]], zone: str = ""
    ) -> Iterator[tuple[Loaded, Reckoned | None]]:
        """These units (ids in rising order), each with what a round on the day finds of it.

        None for a unit with impossible facts: it is set aside and added to `findings`, and the rest goes on.
        """
        for loaded in self.load(conn, ids, day, zone):
            try:
                found = self.at(loaded.place, day).unit(loaded.facts)
            except (ValueError, OverflowError, LookupError, TypeError) as error:
                logger.exception("unit set aside", extra={"unit": loaded.facts.unit})
                findings.append({"unit": loaded.facts.unit, "why": f"{type(error).__name__}: {error}"})
                found = None
            yield loaded, found

    def at(self, place: Place, day: date) -> Reckoner:
        """The reckoner for that kind of place on that day."""
        known = self._known.get((place, day))
        if known is None:
            rules = binding(self._book.rules, place, day)
            working = working_days(place.country, place.subdivision)
            bound = partial(self._bound, day)
            known = Reckoner(place, rules, self._book.sheets, working, day, self._board, bound)
            self._known[place, day] = known
        return known

    def _bound(self, day: date, place: Place) -> frozenset[str]:
        """The names of the rules that bind at that kind of place on that day."""
        known = self._binding.get((place, day))
        if known is None:
            known = frozenset(rule.id for rule in binding(self._book.rules, place, day))
            self._binding[place, day] = known
        return known
