"""The flood brake: what a mailbox, and the whole fleet, may get within an hour. Holds back, never drops.

What is held stays owed: the next sweep finds it again, and it goes in one letter as soon as there is room. The last
place of an hour is kept for what is urgent; the fleet's last place for one letter to a coordinator that stands for
all that is held (`letters.standing_in`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy import Connection, bindparam, func, select

from ..settings import Settings
from ..store.tables import messages
from ..store.types import Instant
from .anonymous import strangers
from .audience import ABOUT_CASES, Reader
from .planned import Errand, Held, Plan
from .standing_in import stand_in
from .templates import say_count, say_instant
from .watch import Watch

HOUR = timedelta(hours=1)
SHOWN = 5
PERSON, FLEET, STRANGERS = "person_hour", "fleet_hour", "strangers_hour"  # the settings that limit
_KINDS = {"escalations": "escalation", "openings": "opening", "closings": "closing"}


def within(conn: Connection, settings: Settings, now: datetime, made: Plan, watch: Watch | None) -> Plan:
    """The plan with what is too much for this hour left out, what that is, and findings that say so.

    `watch` knows who is coordinator where; None where no case is open.
    """
    theirs = strangers(conn, settings, now, (case_id for one in made.escalations for case_id in one.marks))
    hour = _Hour(settings, _gone(conn, now, theirs.letters), now)
    kept: dict[str, list[Errand]] = {name: [] for name in _KINDS}
    held: list[Held] = []
    ranked = [(name, errand) for name in kept for errand in getattr(made, name)]
    ranked.sort(key=lambda pair: not pair[1].urgent)
    for name, errand in ranked:
        if (room_at := theirs.room_at(errand, now)) > now:
            held.append(Held(errand, _KINDS[name], STRANGERS, room_at))
            continue
        if theirs.take_place(errand, now):
            kept[name].append(errand)
            continue
        limit = hour.limit(errand)
        if limit:
            held.append(Held(errand, _KINDS[name], limit, now))
        else:
            hour.take_place(errand)
            kept[name].append(errand)
    going = {errand.reader: errand for errand in kept["escalations"]}
    gap = ""
    # Whoever gets a letter in this sweep anyway needs no other place for it, so that the place may serve another.
    for _ in range(len(going) + 1):
        if not hour.last_place_is_free:
            break
        for_fleet = [one.errand for one in held if one.limit == FLEET]
        found = stand_in(conn, watch, for_fleet, going, lambda to: to in going or hour.has_place(to), now)
        gap = found.gap
        if (one := found.errand) is None:
            break
        if one.reader not in going:
            hour.take_place(one)
        going[one.reader] = one
        held = [other for other in held if other.limit != FLEET or not _stands_in(one, other)]
    kept["escalations"] = list(going.values())
    # There is room when enough of what has gone, in this sweep too, is an hour old.
    held = [
        other if other.limit == STRANGERS else other._replace(room_at=hour.room_at(other.errand, other.limit))
        for other in held
    ]
    return replace(
        made,
        escalations=tuple(kept["escalations"]),
        openings=tuple(kept["openings"]),
        closings=tuple(kept["closings"]),
        findings=(*made.findings, *_said(settings, held, gap)),
        held=tuple(held),
    )


def is_full(conn: Connection, settings: Settings, now: datetime) -> bool:
    """Whether so much went within the hour that something may be held back: a cheap look, before the plan is made."""
    return bool(freed(conn, settings, now))


def freed(conn: Connection, settings: Settings, now: datetime) -> list[datetime]:
    """When places of the hour become free again, where so many are taken that something may be held back."""
    theirs = strangers(conn, settings, now)
    gone = _gone(conn, now, theirs.letters).values()
    most, taken = max(map(len, gone), default=0), sum(map(len, gone))
    if most < settings.cases.person_hour - 1 and taken < settings.cases.fleet_hour - 1:
        return list(theirs.frees())
    return [at + HOUR for times in gone for at in times] + list(theirs.frees())


class _Hour:
    """The places of the hour that ends now. `gone` has, by mailbox, when letters went, the oldest first."""

    def __init__(self, settings: Settings, gone: dict[str, list[datetime]], now: datetime) -> None:
        self._most, self._most_of_fleet = settings.cases.person_hour, settings.cases.fleet_hour
        self._gone, self._now = gone, now
        self._total = sum(map(len, gone.values()))

    def limit(self, errand: Errand) -> str:
        """The setting for which that letter has to wait; "" where there is a place for it."""
        if len(self._gone.get(errand.reader.mailbox, ())) >= self._places(errand):
            return PERSON
        return FLEET if self._total >= self._most_of_fleet - 1 else ""

    def room_at(self, errand: Errand, limit: str) -> datetime:
        """When the setting lets a letter like that go, if nothing else went before it."""
        if limit == PERSON:
            return self._gone[errand.reader.mailbox][-self._places(errand)] + HOUR
        went = sorted(at for times in self._gone.values() for at in times)
        return went[-(self._most_of_fleet - 1)] + HOUR

    @property
    def last_place_is_free(self) -> bool:
        """Whether the place that is kept for the letter that stands for others has not been taken."""
        return self._total < self._most_of_fleet

    def has_place(self, reader: Reader) -> bool:
        """Whether that mailbox may still get something urgent."""
        return len(self._gone.get(reader.mailbox, ())) < self._most

    def take_place(self, errand: Errand) -> None:
        """The letter goes. Where it takes the mailbox's last place it says until when nothing else comes."""
        went = self._gone.setdefault(errand.reader.mailbox, [])
        went.append(self._now)
        self._total += 1
        if len(went) >= self._places(errand):
            errand.last_until = went[-self._most if len(went) >= self._most else 0] + HOUR

    def _places(self, errand: Errand) -> int:
        return self._most if errand.urgent else self._most - 1


def _stands_in(one: Errand, other: Held) -> bool:
    """Whether that letter tells its own reader what was held back for them."""
    return other.errand.reader == one.reader and other.errand.marks.keys() <= one.marks.keys()


def _gone(conn: Connection, now: datetime, apart: frozenset[int]) -> dict[str, list[datetime]]:
    """By mailbox, when the letters about cases of the last hour were written, the oldest first; without those that
    are counted `apart`."""
    found: dict[str, list[datetime]] = {}
    for message_id, mailbox, at in conn.execute(_WRITTEN, {"b_after": now - HOUR, "b_until": now}):
        if message_id not in apart:
            found.setdefault(mailbox, []).append(at)
    return found


_WRITTEN = (
    select(messages.c.id, func.lower(messages.c.to_address), messages.c.created_at)
    .where(
        messages.c.created_at > bindparam("b_after", type_=Instant),
        messages.c.created_at <= bindparam("b_until", type_=Instant),
        messages.c.kind.in_(ABOUT_CASES),
    )
    .order_by(messages.c.created_at)
)


def _said(settings: Settings, held: Sequence[Held], gap: str) -> list[str]:
    found = []
    for_person = [one for one in held if one.limit == PERSON]
    for errand, _, _, until in for_person[:SHOWN]:
        room = say_instant(until, errand.reader.zone)
        found.append(
            f"{errand.reader.called} is told of {say_count(len(errand.marks), 'case')} after {room}: "
            f"{settings.cases.person_hour} letters within an hour are the limit (cases.person_hour)"
        )
    if len(for_person) > SHOWN:
        found.append(
            f"{len(for_person) - SHOWN} more people wait for their letters because of the limit cases.person_hour"
        )
    of_strangers = [one for one in held if one.limit == STRANGERS]
    for errand, _, _, until in of_strangers[:SHOWN]:
        found.append(
            f"{errand.reader.called} is told of {say_count(len(errand.marks), 'case')} that strangers reported after "
            f"{say_instant(until, errand.reader.zone)}, in one letter: {settings.cases.strangers_hour} within an "
            f"hour about one cabinet or from one network are the limit (cases.{STRANGERS})"
        )
    if for_fleet := [one for one in held if one.limit == FLEET]:
        found.append(
            f"{say_count(len(for_fleet), 'letter')} held back: {settings.cases.fleet_hour} within an "
            f"hour are the limit of the fleet (cases.fleet_hour){f', and {gap}' if gap else ''}"
        )
    return found
