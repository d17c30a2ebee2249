"""Gathers what each reader is to be told in one look into as few letters as may be. Sends nothing.

What is urgent and news goes in a letter of its own with whatever else is news; repeats go in the letter of the day,
which takes along what is news and can wait where no urgent letter goes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import Connection

from ..cases.climbing import Heard, Open, Told, heard
from ..cases.hours import Hours
from ..cases.ladders import Climb, Ladder
from ..reckoning.dates import local_day
from ..rounds.causes import LONG
from ..settings import Settings
from . import turns
from .audience import Reader
from .brake import FIRST, OPENING, REPEAT, URGENT
from .planned import Errand, Mark
from .views import View

# Besides whom a case falls to anyway, these get the opening letter.
OPENED_TO = ("coordinator", "manager")


@dataclass(slots=True)
class Standing:
    """A case on its ladder in this look. `had` is what was told of it in its lap, `full` who was passed over because of
    many letters. `turns` collects when more of it may be owed, `owed` the mailboxes that are told of it now."""

    case: Open
    ladder: Ladder
    view: View
    climb: Climb
    had: set[Told]
    full: tuple[str, ...]
    turns: list[datetime]
    owed: list[str] = field(default_factory=list)
    # Whether more than time may make more of it owed: somebody would be told with any letter of the day before their
    # hours allow one of its own, or a letter of it has not gone and may be given up.
    unsettled: bool = False

    @property
    def mark(self) -> Mark:
        return self.climb.lap, self.climb.rung, self.climb.turn


# By person, mailbox and what they count as: two people with one mailbox get a letter each of what falls to one only.
_Key = tuple[int, str, str]
_Rider = tuple[Standing, Reader, str, datetime]


class Letters:
    """The letters of one look. `on` is the civil date of a round that is run by hand; it knows no hours."""

    def __init__(
        self,
        settings: Settings,
        now: datetime,
        on: date | None,
        hours: Callable[[Reader], Hours],
        newcomers: set[int],
    ) -> None:
        self._days, self._now, self._on = settings.cases.repeat_days, now, on
        self._hours, self._newcomers = hours, newcomers
        self._errands: dict[_Key, Errand] = {}
        self._heard: dict[int, dict[str, Heard]] = {}
        self._lately: dict[str, datetime] = {}

    def tell(self, conn: Connection, standing: list[Standing]) -> None:
        """Finds who is to be told of these cases now, and notes at each case when more may be owed."""
        owed = [(one, one.view.owed(one.climb, one.had)) for one in standing]
        self._heard = heard(conn, [one.case.id for one, readers in owed if readers])
        self._lately = turns.last_repeats(conn, self._now) if self._heard else {}
        riders: list[_Rider] = []
        for one, readers in owed:
            for reader, name in readers:
                before = self._before(one, reader)
                if before is None:
                    self._first(one, reader, name)
                else:
                    riders += self._again(one, reader, name, before)
        # A letter of the day that goes anyway takes along what would have waited for other hours of the same day.
        for one, reader, name, at in riders:
            if (reader.id, reader.mailbox, REPEAT) in self._errands:
                self._add(one, reader, name, REPEAT)
            else:
                one.turns.append(at)
                one.unsettled = True

    def open_to(self, reader: Reader, case: Open, mark: Mark) -> None:
        """Adds a case that came in with its unit to the opening letter of that reader."""
        errand = self._errand(reader, OPENING)
        errand.whys |= reader.roles & {"on-call", *OPENED_TO}
        errand.marks[case.id] = mark
        errand.urgent = errand.urgent or case.severity == "urgent"

    @property
    def openings(self) -> list[Errand]:
        return [errand for (_, _, counted), errand in self._errands.items() if counted == OPENING]

    def escalations(self) -> list[Errand]:
        """The others; what is news and can wait is taken in by a letter that goes to the same reader anyway."""
        found = {key: errand for key, errand in self._errands.items() if key[2] != OPENING}
        for (person, mailbox, counted), errand in list(found.items()):
            for with_it in (URGENT, REPEAT):
                other = found.get((person, mailbox, with_it))
                if counted == FIRST and other is not None:
                    other.take_in(errand)
                    del found[person, mailbox, FIRST]
                    del self._errands[person, mailbox, FIRST]
                    break
        return list(found.values())

    def _before(self, one: Standing, reader: Reader) -> Heard | None:
        """What they heard of the case since it began; None where it is news to them."""
        return self._so_far(one).get(reader.mailbox)

    def _so_far(self, one: Standing) -> dict[str, Heard]:
        """What anybody heard of the case since it began, by mailbox; nothing where it begins in this look."""
        was = one.case.climb
        return self._heard.get(one.case.id, {}) if one.climb.fresh == (was.fresh if was is not None else 0) else {}

    def _first(self, one: Standing, reader: Reader, name: str) -> None:
        if self._on is None:
            known = bool(self._so_far(one))
            ready = turns.first(one.ladder, one.climb, self._hours(reader), self._now, known=known)
            if ready > self._now:
                one.turns.append(ready)
                return
        # Told of at this step only, if at all: it has not gone on since it came in, nor begun again.
        climb = one.climb
        early = climb.lap == 0 and climb.turn == 0 and all(said.rung == climb.rung for said in one.had)
        if early and one.case.id in self._newcomers:
            one.owed.append(reader.mailbox)
            self.open_to(reader, one.case, one.mark)
        else:
            self._add(one, reader, name, URGENT if one.case.severity == "urgent" else FIRST)

    def _again(self, one: Standing, reader: Reader, name: str, before: Heard) -> list[_Rider]:
        hours = self._hours(reader)
        lately = self._lately.get(reader.mailbox)
        turn = turns.repeat(self._days, one.ladder, one.climb, hours, before, lately)
        if self._on is not None:
            if turns.repeat_day(self._days, hours, before) <= self._on:
                self._add(one, reader, name, REPEAT)
        elif turn.at <= self._now:
            self._add(one, reader, name, REPEAT)
        elif turn.due <= self._now:
            return [(one, reader, name, turn.at)]
        else:
            one.turns.append(turn.due)
            one.unsettled = one.unsettled or not before.gone
        return []

    def _add(self, one: Standing, reader: Reader, name: str, counted: str) -> None:
        one.owed.append(reader.mailbox)
        errand = self._errand(reader, counted)
        errand.marks[one.case.id] = one.mark
        errand.urgent = counted == URGENT
        errand.whys.add(name)
        errand.gaps.update(dict.fromkeys(one.view.gaps(one.climb.rung)))
        for called in one.full:
            if called != reader.called:
                errand.gaps[f"{called} has had many urgent letters within the hour"] = None
        if one.climb.why == "again":
            errand.laps.add(one.case.id)
        elif one.climb.why == one.case.grade == LONG and one.climb.turn == 0:
            errand.worse.add(one.case.id)

    def _errand(self, reader: Reader, counted: str) -> Errand:
        key = reader.id, reader.mailbox, counted
        known = self._errands.get(key)
        if known is None:
            day = (self._on or local_day(self._now, reader.zone)).isoformat()
            known = self._errands[key] = Errand(reader, day, counts_as=counted)
        return known
