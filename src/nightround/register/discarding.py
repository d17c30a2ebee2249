"""Discards old log entries: shows what would go and what is held back, then empties, and nothing else ever does.

An entry is held back while a rule of its place asks to keep it, and while it is still evidence: everything that the
entries before the day do to those after it stays as it is, so that no evidence changes, now or by any later entry or
correction. What goes leaves a gravestone in the chain (`register.gravestones`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, select, update

from ..errors import Failure, UserError
from ..reckoning.dates import local_day, local_instant
from ..reckoning.evidence import carried, digest
from ..reckoning.facts import Entry, Evidence, Place
from ..reckoning.placing import MOVED, RETURNED
from ..reckoning.rules import Rule, binding
from ..store.database import Store, raise_version
from ..store.tables import fleet, loans, log, people, sites, units
from .evidence import entry_of
from .fitted import Held, replay
from .gravestones import BLANK, DISCARDED, readings_of, seal
from .keeping import Kept, checked_again, held_by, records_rules
from .log import NewEntry, append_discards
from .standing import happened_of, held_of, settle_for_good, stand
from .whereabouts import Spot, first_written, places_of, stays_of
from .witnesses import Witnesses, witnesses

EVIDENCE = "still evidence: without it the unit's dates or condition could change"
WHERE = "tells where the unit stood, or that a loan ended, by which other entries are read"
CORRECTS = "corrects an entry that is kept"
_BATCH = 200

Progress = Callable[[int, int | None], None]


class HeldBack(NamedTuple):
    """Why entries stay. `rule` is None where no rule asks for it."""

    why: str
    rule: Rule | None


@dataclass(frozen=True)
class UnitPlan:
    """Of one unit: the entries before the day that go, and those that are held back, by kind."""

    unit_id: int
    unit: str
    site: str
    going: tuple[int, ...]
    kinds: Counter[str]
    held: dict[HeldBack, Counter[str]]


@dataclass
class Discarded:
    """What was found, and what was done where it was done: the ids of the entries that say so."""

    plans: list[UnitPlan] = field(default_factory=list)
    entries: list[int] = field(default_factory=list)

    @property
    def going(self) -> int:
        """How many entries go, or went."""
        return sum(len(plan.going) for plan in self.plans)

    @property
    def held(self) -> int:
        """How many entries before the day stay."""
        return sum(sum(kinds.values()) for plan in self.plans for kinds in plan.held.values())


def look(
    store: Store, rules: Sequence[Rule], before: date, now: datetime, progress: Progress | None = None
) -> Discarded:
    """What would be discarded of the entries that happened before that day at their site; changes nothing.

    Raises UserError for a day to come.
    """
    _refuse(before, now)
    found = Discarded()
    with store.read() as conn:
        ids = _units_with(conn, before)
        for start in range(0, len(ids), _BATCH):
            batch = ids[start : start + _BATCH]
            plans = [logbook.plan(rules, now) for logbook in _logbooks(conn, batch, before)]
            found.plans += [plan for plan in plans if plan.going or plan.held]
            if progress is not None:
                progress(min(start + _BATCH, len(ids)), len(ids))
    return found


def discard(
    store: Store,
    rules: Sequence[Rule],
    before: date,
    now: datetime,
    by_person: str = "",
    progress: Progress | None = None,
) -> Discarded:
    """Empties what `look` shows and writes down that it did; each batch of units is done wholly or not at all.

    Raises UserError for a day to come or a person who is not known, and Failure, with nothing of the batch done, where
    any evidence would have changed.
    """
    _refuse(before, now)
    found = Discarded()
    with store.read() as conn:
        if by_person and conn.execute(select(people.c.id).where(people.c.person == by_person)).first() is None:
            raise UserError(f"person {by_person!r} is not in the register; give a person's code, or leave --by out")
        ids = _units_with(conn, before)
    for start in range(0, len(ids), _BATCH):
        batch = ids[start : start + _BATCH]
        with store.write() as conn:
            # Writers of the log wait here, so that what is planned is what is emptied.
            conn.execute(select(fleet.c.id).with_for_update())
            found_now = [(logbook, logbook.plan(rules, now)) for logbook in _logbooks(conn, batch, before)]
            found.plans += [plan for _, plan in found_now if plan.going or plan.held]
            chosen = [(logbook, plan) for logbook, plan in found_now if plan.going]
            found.entries += _empty(conn, chosen, before, by_person, now)
        if progress is not None:
            progress(min(start + _BATCH, len(ids)), len(ids))
    return found


def _refuse(before: date, now: datetime) -> None:
    if before > now.date():
        raise UserError(f"--before {before} lies in the future; give today or an earlier day")


def _units_with(conn: Connection, before: date) -> list[int]:
    """Units with entries that may have happened before the day; the day is a little wider than in any zone."""
    latest = local_instant(before, time(0), "Etc/GMT+12")
    query = select(log.c.unit_id).where(log.c.at < latest, log.c.discarded_at.is_(None)).distinct()
    return sorted(conn.execute(query).scalars())


class _Logbook:
    """The log of one unit while it is decided what of it goes. `before` is the first day that is not touched."""

    def __init__(
        self,
        stands: Any,
        rows: Sequence[Any],
        register: Witnesses,
        places: dict[str, Spot],
        before: date,
        *,
        lent_for: bool,
        held: Sequence[Held] = (),
    ) -> None:
        self.unit_id, self.unit, self.site = stands.id, stands.unit, stands.site
        self.rows = {row.id: row for row in rows}
        here = Spot(stands.time_zone, stands.country, stands.subdivision)
        self._stays = stays_of(rows, here, places)
        self._place = Place(stands.time_zone, stands.country, stands.subdivision, stands.site_type)
        self._register = register
        self._end = local_instant(before, time(0), stands.time_zone)
        self._struck = {row.strikes for row in rows if row.strikes is not None}
        self._standing = [row for row in rows if row.discarded_at is None and row.entry != DISCARDED]
        self._told = [row for row in self._standing if row.entry != "struck" and row.id not in self._struck]
        self._wheres = {
            row.id
            for row in self._told
            if (row.entry == MOVED and '"from"' in row.readings) or (row.entry == RETURNED and lent_for)
        }
        moves = {
            row.id: json.loads(row.readings)
            for row in self._standing
            if row.entry == MOVED and '"from"' in row.readings
        }
        first = first_written(moves, self._struck)
        if first is not None and self._wheres & moves.keys():
            self._wheres.add(first)  # struck or not, it alone says where the unit stood before them
        self._entries = {row.id: self._entry(row) for row in self._told}
        # What only the register tells of as fitted, in either reading of the log.
        self._fittings = [
            replay(held, happened_of(entries), None).fittings for entries in zip(*self._entries.values(), strict=True)
        ] or [replay(held, (), None).fittings] * 2

    def evidence(self) -> Evidence:
        """What the whole log says today."""
        return digest((entry for entry, _ in self._entries.values()), self._fittings[0])

    def entries(self, ids: Iterable[int]) -> list[Entry]:
        """Those of the entries that count, in the order of their time."""
        wanted = set(ids)
        return [entry for entry_id, (entry, _) in self._entries.items() if entry_id in wanted]

    def plan(self, rules: Sequence[Rule], now: datetime) -> UnitPlan:
        """What goes of the entries before the day, and what is held back by which rule, or as evidence."""
        today = local_day(now, self._place.time_zone)
        holding = records_rules(binding(rules, self._place, today))
        again = checked_again(map(self._kept, self._told))
        old = [row for row in self._standing if row.at < self._end]
        held: dict[HeldBack, Counter[str]] = {}

        def hold(row: Any, why: HeldBack) -> None:
            held.setdefault(why, Counter())[row.entry] += 1

        free = []
        for row in old:
            rule = held_by(holding, self._kept(row), row.id in again, today)
            if rule is None and row.id in self._wheres:
                hold(row, HeldBack(WHERE, None))  # days of other entries are told by it
            elif rule is None:
                free.append(row)
            else:
                hold(row, HeldBack(f"kept by rule {rule.id}", rule))
        gone = {row.id for row in free if row.id in self._struck}  # struck long ago: evidence of nothing
        told = [row.id for row in free if row.id in self._entries]
        while True:
            going = self._not_needed(told)
            if not (early := self._after_kept(going)):
                break
            told = [entry_id for entry_id in told if entry_id not in early]
        gone |= going
        for row in free:
            if row.id in self._entries and row.id not in gone:
                hold(row, HeldBack(EVIDENCE, None))
        for row in free:
            if row.entry == "struck":
                # It goes no earlier than what it corrects, which would count again without it.
                target = self.rows.get(row.strikes)
                if row.strikes in gone or (target is not None and target.discarded_at is not None):
                    gone.add(row.id)
                else:
                    hold(row, HeldBack(CORRECTS, None))
        kinds = Counter(self.rows[entry_id].entry for entry_id in gone)
        return UnitPlan(self.unit_id, self.unit, self.site, tuple(sorted(gone)), kinds, held)

    def _after_kept(self, going: frozenset[int]) -> set[int]:
        """Of the entries that would go, those about a kind of part of which an earlier entry stays: what they did to
        the parts could not be told without them once that one is struck."""
        kept: set[str] = set()
        found: set[int] = set()
        for entry_id, (entry, _) in self._entries.items():
            if entry.entry in ("fitted", "removed"):
                kind = entry.part.get("kind", "")
                if entry_id not in going:
                    kept.add(kind)
                elif kind in kept:
                    found.add(entry_id)
        return found

    def _not_needed(self, ids: Sequence[int]) -> frozenset[int]:
        """Those of the entries that can all go together and leave what is carried past the day as it is.

        Halves of halves are tried, the older first, so that a matter opened and closed long ago goes whole.
        """
        left = [row.id for row in self._told if row.at < self._end]
        wanted = self._carried(left)
        gone: frozenset[int] = frozenset()
        waiting = [list(ids)] if ids else []
        while waiting:
            block = waiting.pop()
            rest = set(block)
            trial = [entry_id for entry_id in left if entry_id not in rest]
            if self._carried(trial) == wanted:
                left, gone = trial, gone | rest
            elif len(block) > 1:
                half = len(block) // 2
                waiting += [block[half:], block[:half]]
        return gone

    def _carried(self, ids: Sequence[int]) -> tuple[object, ...]:
        return tuple(
            carried((self._entries[entry_id][reading] for entry_id in ids), self._fittings[reading])
            for reading in (0, 1)
        )

    def _entry(self, row: Any) -> tuple[Entry, Entry]:
        """As it counts now, and as it would if everybody named in the log were in the register.

        People leave the register and come back; what they wrote must then weigh the same as without a discard.
        """
        entry = entry_of(row, self._stays, self._register)
        return entry, entry._replace(known=entry.known or bool(row.by_person))

    def _kept(self, row: Any) -> Kept:
        scope = json.loads(row.readings).get("scope", "look") if row.entry == "check" else ""
        day = local_day(row.at, self._stays.zone(row.at))
        return Kept(row.id, day, row.entry, scope, row.by_person in self._register)


def _logbooks(conn: Connection, unit_ids: Sequence[int], before: date) -> Iterator[_Logbook]:
    register = witnesses(conn)
    where = (
        select(
            units.c.id,
            units.c.unit,
            sites.c.site,
            sites.c.time_zone,
            sites.c.country,
            sites.c.subdivision,
            sites.c.site_type,
        )
        .join(sites, sites.c.id == units.c.site_id)
        .where(units.c.id.in_(unit_ids))
        .order_by(units.c.unit)
    )
    stands = conn.execute(where).all()
    places = places_of(conn)
    held = held_of(conn, unit_ids)
    lent_for = set(conn.execute(select(loans.c.covers_id).where(loans.c.covers_id.in_(unit_ids))).scalars())
    rows: dict[int, list[Any]] = {unit_id: [] for unit_id in unit_ids}
    for row in conn.execute(select(log).where(log.c.unit_id.in_(unit_ids)).order_by(log.c.at, log.c.id)):
        rows[row.unit_id].append(row)
    for unit in stands:
        yield _Logbook(
            unit, rows[unit.id], register, places, before, lent_for=unit.id in lent_for, held=held.get(unit.id, ())
        )


def _empty(
    conn: Connection, chosen: Sequence[tuple[_Logbook, UnitPlan]], before: date, by_person: str, now: datetime
) -> list[int]:
    """Makes gravestones of what goes and writes the entries that name them, one a unit."""
    if not chosen:
        return []
    unit_ids = [plan.unit_id for _, plan in chosen]
    stand(conn, unit_ids, {logbook.unit_id: logbook.entries(logbook.rows) for logbook, _ in chosen})
    settle_for_good(conn, unit_ids, {plan.unit_id: logbook.entries(plan.going) for logbook, plan in chosen})
    said: list[NewEntry] = []
    stones: list[dict[str, Any]] = []
    for logbook, plan in chosen:
        seals = {entry_id: seal(logbook.rows[entry_id], now) for entry_id in plan.going}
        stones += [{"row_id": entry_id, "new_seal": text} for entry_id, text in seals.items()]
        said.append(NewEntry(plan.unit_id, now, DISCARDED, by_person, readings_of(seals, before.isoformat())))
    conn.execute(
        update(log)
        .where(log.c.id == bindparam("row_id"))
        .values(**BLANK, discarded_at=now, seal=bindparam("new_seal")),
        stones,
    )
    written = append_discards(conn, said, now)
    wanted = {plan.unit_id: logbook.evidence() for logbook, plan in chosen}
    for logbook in _logbooks(conn, list(wanted), before):
        if logbook.evidence() != wanted[logbook.unit_id]:
            raise Failure(f"unit {logbook.unit}: discarding would change what is known of it; nothing was discarded")
    raise_version(conn)
    return written
