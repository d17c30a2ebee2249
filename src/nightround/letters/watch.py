"""Who has the watch over which site at one moment: whom each word of a ladder names there. Tells nobody.

Whoever should be called and cannot be is a gap, never passed over without a word.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, func, select

from ..cases.rota import Rota
from ..settings import Settings
from ..settings_cases import ROLES
from ..store.recalling import notes, recall
from ..store.tables import messages, person_sites
from .audience import ABOUT_CASES, LADDER, Reader, readers


class Called(NamedTuple):
    """Whom a step calls at a site: everybody with an address, with the word in the ladder that names them.

    `gaps` says who should have been called and cannot be; `failing` are mailboxes whose last such letter was given up.
    """

    people: tuple[tuple[Reader, str], ...]
    gaps: tuple[str, ...]
    failing: frozenset[str]

    def gets_through(self) -> bool:
        """Whether a letter may be expected to reach anybody of them."""
        return any(reader.mailbox not in self.failing for reader, _ in self.people)


class _Seen(NamedTuple):
    """All that a watch is made from; equal ones make equal watches."""

    site_ids: frozenset[int]
    people: list[Reader]
    rostered: list[Reader]
    rota: tuple[Any, ...]
    away: frozenset[int]
    failing: frozenset[str]
    person_sites: Sequence[tuple[int, int]]


class Watch:
    """Who has the watch over which site at one moment. Made once for a sweep, for the sites that matter in it.

    A site of None is the fleet itself: those who have the whole of it.
    """

    def __init__(self, settings: Settings, at: datetime, seen: _Seen, rota: Rota) -> None:
        self.seen = seen
        self.people = seen.people
        self._moment = at
        self.rota = rota
        self._away = seen.away
        self._zone = settings.fleet.time_zone
        self._country = settings.fleet.country
        self._by_code = {reader.person: reader for reader in self.people}
        self.failing = seen.failing
        everybody = {reader.id: reader for reader in (*seen.rostered, *self.people)}
        self._at: dict[int, list[Reader]] = {site_id: [] for site_id in seen.site_ids}
        for person_id, site_id in seen.person_sites:
            reader = everybody.get(person_id)
            if site_id in self._at and reader is not None and not reader.whole_fleet:
                self._at[site_id].append(reader)
        self._whole = [reader for reader in everybody.values() if reader.whole_fleet]
        self._serving: dict[int | None, tuple[int, ...]] = {None: ()}
        for site_id, here in self._at.items():
            self._serving[site_id] = tuple(sorted(reader.id for reader in here))
        self._known: dict[tuple[tuple[int, ...], tuple[str, ...]], Called] = {}

    @classmethod
    def over(
        cls, conn: Connection, settings: Settings, at: datetime, site_ids: Iterable[int], names: Iterable[str] = ()
    ) -> Watch:
        """The watch at that instant over those sites; the one of the sweep before, where it is the same.

        `names` are the words of all ladders.
        """
        named = set(names)
        codes = {name.removeprefix("person:").strip() for name in named if name.startswith("person:")}
        everybody = readers(conn, settings, {*LADDER, *(name for name in named if name in ROLES)}, codes, at=at)
        rota = Rota.around(conn, settings, at, timedelta())
        seen = _Seen(
            frozenset(site_ids),
            everybody,
            readers(conn, settings, (), ids=rota.on_call(at), at=at) if "rota" in named else [],
            rota.state(at),
            rota.absent(at),
            _given_up(conn, everybody),
            recall(conn, "person sites", (person_sites,), lambda: [(p, s) for p, s in conn.execute(_PERSON_SITES)]),
        )
        last = notes(conn, "watch")
        if last is None:
            return cls(settings, at, seen, rota)
        if "watch" not in last or last["watch"].seen != seen:
            last["watch"] = cls(settings, at, seen, rota)
        watch: Watch = last["watch"]
        return watch

    def holders(self, site_id: int | None, role: str) -> list[Reader]:
        """Everybody with that role for the site, reached or not."""
        return [reader for reader in self._here(site_id) if role in reader.roles]

    def serving(self, site_id: int | None) -> tuple[int, ...]:
        """Who has to do with the site besides those of the whole fleet: sites with the same have the same watch."""
        return self._serving[site_id]

    def _here(self, site_id: int | None) -> list[Reader]:
        here = [] if site_id is None else self._at[site_id]
        return sorted((*self._whole, *here), key=lambda reader: reader.person)

    def of(self, site_id: int | None, who: tuple[str, ...]) -> Called:
        """Whom those words of a ladder name for the site, in their order."""
        key = (self._serving[site_id], who)
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._of(site_id, who)
        return known

    def _of(self, site_id: int | None, who: tuple[str, ...]) -> Called:
        called: dict[str, tuple[Reader, str]] = {}
        gaps: list[str] = []
        for name in who:
            named, spoken = self._named(site_id, name)
            there = [reader for reader in named if reader.id not in self._away]
            reached = [reader for reader in there if reader.reached]
            for reader in reached:
                called.setdefault(reader.mailbox, (reader, name))
            if not named:
                gaps.append(
                    f"nobody is {spoken}" if not name.startswith(_SINGLE) else f"{spoken} is not in the register"
                )
            elif not there:
                gaps.append(f"{spoken} is away" if name.startswith(_SINGLE) else f"everybody who is {spoken} is away")
            elif not reached:
                gaps.append(f"{_who_is(name, spoken)} has a usable address")
            elif all(reader.mailbox in self.failing for reader in reached):
                gaps.append(f"no letter gets through to {spoken if name.startswith(_SINGLE) else f'who is {spoken}'}")
        return Called(tuple(called.values()), tuple(gaps), self.failing)

    def _named(self, site_id: int | None, name: str) -> tuple[list[Reader], str]:
        head, _, rest = name.partition(":")
        if head == "person":
            reader = self._by_code.get(rest.strip())
            return [reader] if reader is not None else [], rest.strip()
        if head == "address":
            box = rest.strip()
            return [Reader(0, "", box, box, self._zone, True, False, frozenset(), self._country)], box
        if name not in ("rota", "on-call"):
            return self.holders(site_id, name), _SPOKEN[name]
        on_rota = self.rota.on_call(self._moment, site_id)
        if name == "rota":
            return [reader for reader in self._here(site_id) if reader.id in on_rota], "on the rota now"
        holders = self.holders(site_id, name)
        # A rota that covers this moment says who; in its gaps, everybody on call.
        watching = [reader for reader in holders if reader.id in on_rota and reader.id not in self._away]
        return watching or holders, _SPOKEN[name]


_SINGLE = ("person:", "address:")
_SPOKEN = {
    "on-call": "on call",
    "coordinator": "coordinator",
    "manager": "manager",
    "site-contact": "site contact",
    "responder": "responder",
}


def _who_is(name: str, spoken: str) -> str:
    return f"{spoken} is called, but nobody there" if name.startswith(_SINGLE) else f"nobody who is {spoken}"


_PERSON_SITES = select(person_sites.c.person_id, person_sites.c.site_id)
_ABOUT = messages.c.kind.in_(ABOUT_CASES)
_FAILED = select(messages.c.to_address).where(messages.c.state == "given up", _ABOUT).distinct()
_LAST = (
    select(messages.c.state)
    .where(
        func.lower(messages.c.to_address) == bindparam("b_mailbox"),
        _ABOUT,
        messages.c.state.in_(("sent", "given up")),
    )
    .order_by(messages.c.id.desc())
    .limit(1)
)


def _given_up(conn: Connection, listed: list[Reader]) -> frozenset[str]:
    """The mailboxes to which the last letter about cases that came to its end was given up.

    One that waits yet says nothing: were it taken for good news, whoever it is for would be owed more at the next look.
    """
    # Letters given up are few, and the index finds them; only about those mailboxes anything more is asked.
    suspects = {address.lower() for address in conn.execute(_FAILED).scalars()}
    found = set()
    for mailbox in sorted({reader.mailbox for reader in listed if reader.reached} & suspects):
        last = conn.execute(_LAST, {"b_mailbox": mailbox}).scalar_one()
        if last == "given up":
            found.add(mailbox)
    return frozenset(found)
