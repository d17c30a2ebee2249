"""The flood brake: what a mailbox, and the whole fleet, may get within an hour. Holds back, never drops.

Letters are counted by classes, each apart, so that no class takes the room of another. What is urgent and news to its
reader is never held; whoever has had many such letters is `full`, and the next on the ladder is told as well
(`letters.errands`). What is held stays owed: the next sweep finds it again, and it goes in one letter as soon as there
is room. The fleet's last place of a class is kept for one letter to a coordinator that stands for all that is held
(`letters.standing_in`).
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
from .standing_in import STANDS_IN, stand_in
from .templates import say_count, say_instant
from .watch import Watch

HOUR = timedelta(hours=1)
SHOWN = 5
PERSON, FLEET, STRANGERS = "person_hour", "fleet_hour", "strangers_hour"  # the settings that limit
URGENT, FIRST, REPEAT, OPENING, CLOSING = "urgent", "first", "repeat", "opening", "closing"
# What letters count as, and the setting that says how many of them a mailbox gets; "": none is ever held.
CLASSES = {URGENT: "", FIRST: PERSON, REPEAT: PERSON, OPENING: PERSON, CLOSING: PERSON}
_KINDS = {"escalations": "escalation", "openings": "opening", "closings": "closing"}


class Hour:
    """The places of the hour that ends now: when letters went, by what they count as and by mailbox."""

    def __init__(self, conn: Connection, settings: Settings, now: datetime) -> None:
        self._settings, self._now = settings, now
        self._gone: dict[str, dict[str, list[datetime]]] = {}  # the oldest first
        self._strangers = strangers(conn, settings, now)
        for message_id, mailbox, kind, counted, at in conn.execute(_WRITTEN, {"b_after": now - HOUR, "b_until": now}):
            if message_id in self._strangers.letters:
                continue  # they have a limit of their own and take nobody's place
            # Letters of before classes were kept count by their kind.
            known = counted or (kind if kind in CLASSES else FIRST)
            self._gone.setdefault(known, {}).setdefault(mailbox, []).append(at)

    def full(self, mailbox: str) -> bool:
        """Whether that mailbox has had as many urgent letters as are an hour's."""
        return len(self._of(URGENT, mailbox)) >= self._settings.cases.person_hour

    def limit(self, errand: Errand) -> str:
        """The setting for which that letter has to wait; "" where there is a place for it."""
        setting = CLASSES[errand.counts_as]
        if errand.urgent or not setting:
            return ""
        if len(self._of(errand.counts_as, errand.reader.mailbox)) >= self._places(setting):
            return setting
        return FLEET if len(self._all(errand.counts_as)) >= self._places(FLEET) - 1 else ""

    def room_at(self, errand: Errand, limit: str) -> datetime:
        """When the setting lets a letter like that go, if nothing else went before it."""
        if limit == FLEET:
            return self._all(errand.counts_as)[-(self._places(FLEET) - 1)] + HOUR
        return self._of(errand.counts_as, errand.reader.mailbox)[-self._places(limit)] + HOUR

    @property
    def last_place_is_free(self) -> bool:
        """Whether the place that is kept for the letter that stands for others has not been taken."""
        return len(self._all(STANDS_IN)) < self._places(FLEET)

    def has_place(self, reader: Reader) -> bool:
        """Whether that mailbox may still get a letter that stands for others."""
        return len(self._of(STANDS_IN, reader.mailbox)) < self._places(PERSON)

    def take_place(self, errand: Errand) -> None:
        """The letter goes. Where it takes the mailbox's last place it says until when nothing else of it comes."""
        went = self._gone.setdefault(errand.counts_as, {}).setdefault(errand.reader.mailbox, [])
        went.append(self._now)
        setting = CLASSES[errand.counts_as]
        if setting and len(went) >= self._places(setting):
            errand.last_until = went[-self._places(setting)] + HOUR

    def freed(self) -> list[datetime]:
        """When places become free again, where so many are taken that something may be held back."""
        found = list(self._strangers.frees())
        for counted, setting in CLASSES.items():
            went = self._gone.get(counted, {})
            if not setting or not went:
                continue
            every = self._all(counted)
            if len(every) >= self._places(FLEET) - 1 or max(map(len, went.values())) >= self._places(setting):
                found += [at + HOUR for at in every]
        return found

    def _of(self, counted: str, mailbox: str) -> Sequence[datetime]:
        return self._gone.get(counted, {}).get(mailbox, ())

    def _all(self, counted: str) -> list[datetime]:
        return sorted(at for times in self._gone.get(counted, {}).values() for at in times)

    def _places(self, setting: str) -> int:
        return int(getattr(self._settings.cases, setting))


_WRITTEN = (
    select(
        messages.c.id, func.lower(messages.c.to_address), messages.c.kind, messages.c.counts_as, messages.c.created_at
    )
    .where(
        messages.c.created_at > bindparam("b_after", type_=Instant),
        messages.c.created_at <= bindparam("b_until", type_=Instant),
        messages.c.kind.in_(ABOUT_CASES),
    )
    .order_by(messages.c.created_at)
)


def within(conn: Connection, settings: Settings, now: datetime, made: Plan, watch: Watch | None, hour: Hour) -> Plan:
    """The plan with what is too much for this hour left out, what that is, and findings that say so.

    `watch` knows who is coordinator where; None where no case is open.
    """
    theirs = strangers(conn, settings, now, (case_id for one in made.escalations for case_id in one.marks))
    kept: dict[str, list[Errand]] = {name: [] for name in _KINDS}
    held: list[Held] = []
    for name, going_out in kept.items():
        for errand in getattr(made, name):
            if (room_at := theirs.room_at(errand, now)) > now:
                held.append(Held(errand, _KINDS[name], STRANGERS, room_at))
                continue
            if theirs.take_place(errand, now):
                going_out.append(errand)
                continue
            limit = hour.limit(errand)
            if limit:
                held.append(Held(errand, _KINDS[name], limit, now))
            else:
                hour.take_place(errand)
                going_out.append(errand)
    going = {errand.reader: errand for errand in kept["escalations"] if errand.counts_as != REPEAT}
    repeats = [errand for errand in kept["escalations"] if errand.counts_as == REPEAT]
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
    # There is room when enough of what has gone, in this sweep too, is an hour old.
    held = [
        other if other.limit == STRANGERS else other._replace(room_at=hour.room_at(other.errand, other.limit))
        for other in held
    ]
    return replace(
        made,
        escalations=(*going.values(), *repeats),
        openings=tuple(kept["openings"]),
        closings=tuple(kept["closings"]),
        findings=(*made.findings, *_said(settings, held, gap)),
        held=tuple(held),
    )


def _stands_in(one: Errand, other: Held) -> bool:
    """Whether that letter tells its own reader what was held back for them."""
    return other.errand.reader == one.reader and other.errand.marks.keys() <= one.marks.keys()


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
