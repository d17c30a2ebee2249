"""How a reader's units stand: rows as the last rounds left them, or as rounds of another day would find them.

Gives rows one at a time, so that a letter about a whole fleet needs no more memory than a letter about one site.
Writes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple, Protocol

from sqlalchemy import ColumnElement, Connection, and_, case, func, or_, select

from ..reckoning import owed as reckoning
from ..reckoning.certificates import CERTIFICATE, REFRESHER
from ..reckoning.dates import local_day
from ..reckoning.owed import OWED_WHEN_WITHDRAWN, Condition, Duty, Standing
from ..reckoning.staffing import CONTACT, RESPONDERS
from ..rounds.causes import WEIGHT
from ..rounds.differences import because_text
from ..rounds.reckoners import Reckoners
from ..rounds.rulebook import RuleBook
from ..rounds.staff import found_on
from ..settings import Settings
from ..store.tables import cases, conditions, duties, people, sites, units

WEEK = 7  # days that a letter looks ahead, its own day included
NOT_RECKONED = "not reckoned yet"
_PAGE = 2000


# Whose a duty is that is of no unit, by its kind; of any other kind it is about spare parts.
WHOSE = {CERTIFICATE: "people", REFRESHER: "people", RESPONDERS: "people", CONTACT: "people"}


def whose_of(kinds: Iterable[str]) -> str:
    """What duties of these kinds are about, where they are of no unit."""
    return " and ".join(sorted({WHOSE.get(kind, "spare parts") for kind in kinds})) or "spare parts"


class Where(NamedTuple):
    """Where something is. `unit` is "" for a spare that is kept at a site for no one unit, and for people."""

    unit: str
    spot: str
    floor: str
    site: str
    site_name: str
    address: str
    zone: str
    model: str
    whose: str = "spare parts"  # said where there is no unit

    def about(self, kinds: Iterable[str]) -> Where:
        """The place as a heading over duties of these kinds: not all that has no unit is a spare part."""
        return self if self.unit else self._replace(whose=whose_of(kinds))

    @property
    def place(self) -> str:
        """Spot and floor, as far as they are recorded."""
        floor = f"floor {self.floor}" if self.floor.lstrip("-").isdigit() else self.floor
        return ", ".join(word for word in (self.spot, floor) if word)

    @property
    def line(self) -> str:
        """Spot, floor, address and model, as far as they are recorded."""
        model = f"model {self.model}" if self.model else ""
        return ", ".join(word for word in (self.place, self.address, model) if word)

    @property
    def title(self) -> str:
        return f"{self.unit or self.whose}, {self.site_name}"


class UnitNow(NamedTuple):
    """One unit. `taken_by` is whoever has its open case now, "" where nobody has; `case_id` None where none is open."""

    where: Where
    condition: str
    reasons: tuple[str, ...]
    since: date | None
    case_id: int | None = None
    taken_by: str = ""
    taken_until: datetime | None = None


class Owing(NamedTuple):
    """One duty; `holder` is the same for all duties of a unit or of a site's spares, which come one after another.

    `today` is the civil day at its site that the letter is about. `because` is the stored JSON list.
    """

    holder: str
    where: Where
    key: str
    kind: str
    subject: str
    standing: str
    opens: date | None
    order_by: date | None
    last_good_day: date | None
    deadline: datetime | None
    because: str
    today: date

    @property
    def days_over(self) -> int:
        """Days since the last good day; 0 or less while it has not passed."""
        return 0 if self.last_good_day is None else (self.today - self.last_good_day).days


class Situation(Protocol):
    """Where a letter's rows come from. Duties of withdrawn units are left out, but those that they owe still."""

    def units(self) -> Iterator[UnitNow]: ...

    def duties(self) -> Iterator[Owing]: ...


WHERE = (
    units.c.unit,
    units.c.spot,
    units.c.floor,
    sites.c.site,
    sites.c.name.label("site_name"),
    sites.c.address,
    sites.c.time_zone,
    units.c.model,
)


def where_of(row: Any) -> Where:
    """The place in a row that selects `WHERE`."""
    return Where(
        row.unit or "",
        row.spot or "",
        row.floor or "",
        row.site,
        row.site_name or row.site,
        row.address,
        row.time_zone,
        row.model or "",
    )


class Stored:
    """As the last rounds left it."""

    def __init__(self, conn: Connection, seen: ColumnElement[bool], now: datetime, on: date | None = None) -> None:
        self._conn = conn
        self._seen = seen
        self._now = now
        self._on = on

    def units(self) -> Iterator[UnitNow]:
        """Every unit, also one that no round has reckoned yet."""
        open_case = and_(cases.c.unit_id == units.c.id, cases.c.closed_at.is_(None))
        query = (
            select(
                *WHERE,
                units.c.id,
                conditions.c.condition,
                conditions.c.reasons,
                conditions.c.since,
                func.coalesce(cases.c.group_id, cases.c.id).label("case_id"),
                cases.c.taken_by,
                cases.c.taken_until,
                people.c.name.label("taken_name"),
            )
            .select_from(
                units.join(sites, sites.c.id == units.c.site_id)
                .outerjoin(conditions, conditions.c.unit_id == units.c.id)
                .outerjoin(cases, open_case)
                .outerjoin(people, people.c.person == cases.c.taken_by)
            )
            .where(self._seen)
            .order_by(units.c.id, case(WEIGHT, value=cases.c.severity), cases.c.id)
            .execution_options(yield_per=_PAGE)
        )
        before = None
        for row in self._conn.execute(query):
            if row.id == before:
                continue  # one open case a unit is shown, the gravest
            before = row.id
            taken = row.taken_until is not None and row.taken_until > self._now
            yield UnitNow(
                where_of(row),
                row.condition or NOT_RECKONED,
                tuple(json.loads(row.reasons)) if row.reasons else (),
                row.since,
                row.case_id,
                (row.taken_name or row.taken_by) if taken else "",
                row.taken_until if taken else None,
            )

    def duties(self) -> Iterator[Owing]:
        """Every duty that may have a place in a letter; those far ahead are left out."""
        horizon = (self._on or self._now.astimezone(UTC).date()) + timedelta(days=WEEK + 1)
        query = (
            select(duties, *WHERE)
            .select_from(
                duties.join(sites, sites.c.id == duties.c.site_id)
                .outerjoin(units, units.c.id == duties.c.unit_id)
                .outerjoin(conditions, conditions.c.unit_id == duties.c.unit_id)
            )
            .where(
                self._seen,
                or_(
                    conditions.c.condition.is_(None),
                    conditions.c.condition != "withdrawn",
                    duties.c.kind.in_(OWED_WHEN_WITHDRAWN),
                ),
                or_(
                    duties.c.standing != str(Standing.AHEAD),
                    duties.c.last_good_day <= horizon,
                    duties.c.opens <= horizon,
                ),
            )
            .order_by(duties.c.holder, duties.c.key)
            .execution_options(yield_per=_PAGE)
        )
        days: dict[str, date] = {}
        for row in self._conn.execute(query):
            today = self._on or days.get(row.time_zone)
            if today is None:
                today = days[row.time_zone] = local_day(self._now, row.time_zone)
            yield Owing(
                row.holder,
                where_of(row).about([row.kind]),
                row.key,
                row.kind,
                row.subject,
                row.standing,
                row.opens,
                row.order_by,
                row.last_good_day,
                row.deadline,
                row.because,
                today,
            )


class Reckoned:
    """As rounds of another day would find it, with the facts that are known now."""

    def __init__(
        self, conn: Connection, book: RuleBook, seen: ColumnElement[bool], on: date, settings: Settings
    ) -> None:
        self._conn = conn
        self._book = book
        self._settings = settings
        self._seen = seen
        self._on = on
        self._reckoners = Reckoners(book, conn)

    def units(self) -> Iterator[UnitNow]:
        for where, found, _ in self._units():
            if found is None:
                yield UnitNow(where, NOT_RECKONED, ("its facts cannot be reckoned",), None)
            else:
                yield UnitNow(where, str(found.condition), found.reasons, None)

    def duties(self) -> Iterator[Owing]:
        for where, found, holder in self._units():
            if found is not None:
                withdrawn = found.condition is Condition.WITHDRAWN
                for duty in found.duties:
                    if not withdrawn or duty.kind in OWED_WHEN_WITHDRAWN:
                        yield self._owing(holder, where, duty)
        of_site: dict[str, list[Owing]] = {}
        for owing in self._others():
            of_site.setdefault(owing.holder, []).append(owing)
        for listed in of_site.values():
            yield from listed

    def _others(self) -> Iterator[Owing]:
        """What people and sites owe."""
        query = select(sites).where(self._seen)
        places = {
            row.id: Where("", "", "", row.site, row.name or row.site, row.address, row.time_zone, "")
            for row in self._conn.execute(query)
        }
        for person, site_id, duty in found_on(self._conn, self._book, self._settings, self._on, self._reckoners, []):
            if site_id in places:
                holder = f"s{site_id}" if person is None else f"p{person.id}"
                yield self._owing(holder, places[site_id].about([duty.kind]), duty)

    def _units(self) -> Iterator[tuple[Where, reckoning.Reckoned | None, str]]:
        query = (
            select(*WHERE, units.c.id).join(sites, sites.c.id == units.c.site_id).where(self._seen).order_by(units.c.id)
        )
        after = 0
        while rows := self._conn.execute(query.where(units.c.id > after).limit(_PAGE)).all():
            places = {row.id: where_of(row) for row in rows}
            # Of a unit that is set aside the letter says that it is not reckoned.
            for loaded, found in self._reckoners.reckon(self._conn, list(places), self._on, []):
                yield places[loaded.id], found, f"u{loaded.id}"
            after = rows[-1].id

    def _owing(self, holder: str, where: Where, duty: Duty) -> Owing:
        because = because_text(duty.because)
        return Owing(
            holder,
            where,
            duty.key,
            duty.kind,
            duty.subject,
            str(duty.standing),
            duty.opens,
            duty.order_by,
            duty.last_good_day,
            duty.deadline,
            because,
            self._on,
        )
