"""What happened to an invented unit: its log entries, at hours that are past everywhere on their day."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import NamedTuple

from .moving import MOVED, ON_LOAN
from .parts import NEW, Model, Plan, Set
from .places import Kind

LOG_DAYS = 730

_YESTERDAY = -1
_GOOD = {"damage": "none", "cabinet": "ok"}
_STEPS = {"daily": 1, "weekly": 7, "monthly": 30}
# Who looks daily or weekly has done so for this many days; before that it was monthly.
_SINCE = {1: 45, 7: 280}


class Entry(NamedTuple):
    """One log entry; `by` is a person's code, or "" for an unknown passer-by."""

    day: int
    minute: int
    entry: str
    by: str
    readings: dict[str, str]
    part: dict[str, str]
    note: str


class History:
    """Writes the log of one unit. `contact` and `coordinator` are person codes."""

    def __init__(
        self,
        rng: random.Random,
        kind: Kind,
        model: Model,
        plan: Plan,
        story: str,
        on: date,
        contact: str,
        coordinator: str,
    ) -> None:
        self.rng, self.kind, self.model, self.plan, self.story, self.on = rng, kind, model, plan, story, on
        self.contact, self.coordinator = contact, coordinator
        self.start = -LOG_DAYS
        self.hour = 7 * 60 + rng.randrange(6 * 60)
        self.gone = -rng.randint(9, 30)  # the day a withdrawn unit left
        self.entries: list[Entry] = []

    def write(self, days: int = LOG_DAYS) -> list[Entry]:
        """The entries of so many days, in the order of their time."""
        self.start = max(-min(days, LOG_DAYS), self.plan.service)
        if self.story not in NEW:
            self._look()
            self._test_and_inspect()
            self._replace()
            self._happen()
        self.entries.sort(key=lambda entry: (entry.day, entry.minute))
        return self.entries

    def _look(self) -> None:
        """Regular looks, back from the last one."""
        rng = self.rng
        step = 7 if self.model.serial == "OT" and self.kind.rhythm == "monthly" else _STEPS[self.kind.rhythm]
        day = self._last_look(step)
        last = True
        while day > self.start:
            if last or rng.random() > 0.06:
                minute = self.hour + rng.randrange(60)
                self._check(day, minute, {}, last)
                if "report" in self.kind.extra:
                    self._add(day, minute + 40, "reported", self.coordinator, {"about": "check"})
            last = False
            if day > -_SINCE.get(step, 0):
                day -= step + (rng.choice((-1, 0, 0, 0, 0, 1)) if step == 7 else 0)
            else:
                day -= 30 + rng.randint(-4, 4)

    def _last_look(self, step: int) -> int:
        if self.story == "look overdue":
            return -step - self.rng.randint(1 if step < 30 else 3, max(1, step - 2))
        if self.story == "not looked at for long":
            return -self.rng.randint(100, 260)
        day = -self.rng.randint(1, {1: 1, 7: 4, 30: 17}[step])
        if self.story == "fault reported by a passer-by":
            return min(day, _YESTERDAY - 1)  # nobody has looked since
        return min(day, self.gone - 1) if self.story == "withdrawn" else day

    def _check(self, day: int, minute: int, more: dict[str, str], last: bool) -> None:
        readings = {"self-test": "ok", "battery": self._battery(day), "pads": self._pads(day), **_GOOD}
        note = ""
        if last and self.story == "battery low":
            readings["battery"] = f"1/{self.model.bars}" if self.model.bars else "low"
        elif last and self.story == "pads opened":
            readings["pads"], note = "opened", "packet torn open, nobody knows by whom"
        self._add(day, minute, "check", self.contact, {**readings, **more}, note=note)

    def _battery(self, day: int) -> str:
        bars = self.model.bars
        if not bars:
            return "ok"
        gone = (day - self.plan.fitted_on(day, "battery").fitted) / self.model.standby_days
        return f"{min(max(2, round(bars * (1 - gone) + 0.4)), bars)}/{bars}"

    def _pads(self, day: int) -> str:
        label = self.plan.fitted_on(day, self.model.pads[0]).label
        if label is None or label - day > 88:
            return "ok"
        # What is seen of pads speaks of every kind that is fitted. Of a set that has been replaced since, beside
        # others that still hang there, nobody saw anything.
        worn = {kind: self.plan.fitted_on(day, kind) for kind in self.model.pads}
        now = {kind: sets[-1] for kind, sets in self.plan.sets.items() if kind in worn}
        if worn != now and any(worn[kind] == now[kind] for kind in worn):
            return "ok"
        return "expiring" if label >= day else "past"

    def _test_and_inspect(self) -> None:
        rng, extra = self.rng, self.kind.extra
        # Twice a year where the place asks for it, once where the manual does.
        every = 150 if "test" in extra else 330 if self.model.serial == "OT" else None
        if every is not None:
            for day in range(-rng.randint(20, every - 20), self.start, -every):
                self._check(day, self.hour + 70, {"scope": "test"}, False)
        if "two-yearly" in extra:
            self._inspect(-rng.randint(40, 690))
        if "yearly" in extra:
            for year in range(self.on.year - 2, self.on.year + 1):
                self._inspect((date(year, 7, 6) - self.on).days + rng.randrange(20))

    def _inspect(self, day: int) -> None:
        readings = {"scope": "inspection", "self-test": "ok", "battery": self._battery(day), "pads": self._pads(day)}
        self._add(day, self.hour + 95, "check", "TECH", {**readings, **_GOOD})

    def _replace(self) -> None:
        """Sets that were ordered and fitted; an order's expected day fell before the fitting."""
        for kind, sets in self.plan.sets.items():
            for worn in sets[1:]:
                if self.story == "used and restored" and kind != "battery" and worn is sets[-1]:
                    continue  # told with the use
                self._order(worn.fitted - self.rng.randint(20, 45), kind, worn.fitted - self.rng.randint(1, 6))
                self._fitted(worn.fitted, self.hour - 30, kind, worn)

    def _happen(self) -> None:
        rng, story, pads = self.rng, self.story, self.model.pads[0]
        if story == "pads due, ordered":
            self._order_pads(-rng.randint(4, 12), rng.randint(3, 14))
        elif story == "pads due, order overdue":
            self._order_pads(-rng.randint(40, 60), -rng.randint(3, 20))
        elif story == "fault reported by a passer-by":
            self._add(_YESTERDAY, 7 * 60 + 31, "fault", "", {"self-test": "fault"}, note="red light, and it chirps")
        elif story == "used, not restored":
            readings = {"cpr-minutes": "14", "shocks": "2", "mode": "adult"}
            self._add(_YESTERDAY, 6 * 60 + 52, "used", self.contact, readings, note="the crew took the pads")
        elif story == "used and restored":
            self._used(self.plan.sets[pads][-1].fitted - 1)
        elif story == "withdrawn":
            self._add(self.gone, 700, "withdrawn", self.coordinator, note="sent to the supplier for repair")
        elif story == "withdrawn and returned":
            day = -rng.randint(120, 240)
            self._add(day, 640, "withdrawn", self.coordinator, note="hall closed for painting")
            self._add(day + 17, 610, "returned", self.coordinator)
        elif story == MOVED:
            spot = "andén 2, junto al ascensor"
            self._add(-3, 11 * 60, "moved", self.coordinator, {"spot": spot}, note="out of the builders' way")
        elif story.startswith(ON_LOAN):
            covers = story.removeprefix(ON_LOAN)
            self._add(-8, 10 * 60 + 30, "moved", self.coordinator, {"covers": covers}, note="from the store")
        elif story == "well" and rng.random() < 0.2:
            self._cabinet_trouble(-rng.randint(60, 600))
        elif story == "well" and rng.random() < 0.1:
            self._add(-rng.randint(200, 390), 800, "moved", self.coordinator, note="moved ten metres, beside the door")

    def _order_pads(self, day: int, expected: int) -> None:
        for kind in self.model.pads:
            self._order(day, kind, expected)

    def _order(self, day: int, kind: str, expected: int) -> None:
        self._add(day, 9 * 60 + 5, "ordered", self.coordinator, part={"kind": kind, "expected": self._iso(expected)})

    def _fitted(self, day: int, minute: int, kind: str, worn: Set) -> None:
        part = {"kind": kind, "lot": worn.lot}
        if worn.label is not None:
            part["label_date"] = self._iso(worn.label)
        self._add(day, minute, "fitted", self.contact, part=part)

    def _used(self, day: int) -> None:
        readings = {"cpr-minutes": "9", "shocks": "1", "mode": "adult"}
        self._add(day, 11 * 60 + 8, "used", self.contact, readings, note="breathing when the crew left")
        self._add(day, 11 * 60 + 45, "reported", self.contact, {"about": "crew"})
        self._add(day, 13 * 60 + 20, "downloaded", self.coordinator, note="one event, 11 minutes")
        for kind in self.model.pads:
            self._fitted(day + 1, 8 * 60 + 15, kind, self.plan.sets[kind][-1])
        self._check(day + 1, 8 * 60 + 40, {"kit": "ok"}, False)
        self._add(day + 1, 10 * 60, "reported", self.coordinator, {"about": "use"})

    def _cabinet_trouble(self, day: int) -> None:
        self._add(day, 12 * 60 + 40, "fault", "", {"cabinet": "fault"}, note="door hangs on one hinge")
        self._check(day + 2, 9 * 60 + 15, {}, False)

    def _add(
        self,
        day: int,
        minute: int,
        entry: str,
        by: str,
        readings: dict[str, str] | None = None,
        *,
        part: dict[str, str] | None = None,
        note: str = "",
    ) -> None:
        if self.start <= day < 0:
            self.entries.append(Entry(day, minute, entry, by, readings or {}, part or {}, note))

    def _iso(self, day: int) -> str:
        return (self.on + timedelta(days=day)).isoformat()
