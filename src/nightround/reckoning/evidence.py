"""Digests the log of one unit into what it says today (reckoning.md §2, §5, §6).

An entry by a known person counts as evidence. One by an unknown passer-by counts only when it is bad news: it can
open a fault, a use or a bad reading, and can never close one or stand for a check.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from .facts import Change, Entry, Evidence, Placing, Use
from .readings import CORRECTED, MENDED_BY_HAND, SCOPES, SENT, STAGES, all_good, battery_word, is_good, number


def digest(entries: Iterable[Entry]) -> Evidence:
    """What the entries say, taken in the order of their time. Struck entries must have been left out."""
    book = _Book()
    for entry in sorted(entries, key=lambda entry: entry.at):
        book.take(entry)
    return book.evidence()


def carried(entries: Iterable[Entry]) -> tuple[Evidence, dict[str, Any]]:
    """All that the entries still do to whatever is logged after them.

    Where two logs give equal ones, every further entry, and every entry after them that is struck, gives the same
    evidence in both. Struck entries must have been left out.
    """
    book = _Book()
    for entry in sorted(entries, key=lambda entry: entry.at):
        book.take(entry)
    return book.evidence(), {name: value for name, value in vars(book).items() if name not in Evidence._fields}


class _Book:
    """The open matters while the log is read from its beginning."""

    def __init__(self) -> None:
        self.done: dict[str, date] = {}  # scope of a check → last day of it
        self.reported_on: date | None = None
        self.sent_on: date | None = None
        self.withdrawn_on: date | None = None
        self.used_at: datetime | None = None
        self.last_used_on: date | None = None
        self.uses: list[Use] = []
        self.out_of_service_on: date | None = None
        self.replaced = False
        self.pads_fitted_since_use = False
        self.fault_on: date | None = None
        self.fault = ""
        self.battery_low_on: date | None = None
        self.battery_empty_on: date | None = None
        self.pads_low_on: date | None = None
        self.pads_bad_on: date | None = None
        self.pads_missing_on: date | None = None
        self.ordered: dict[str, date] = {}
        self.bad: dict[str, tuple[str, date]] = {}
        self.notices: dict[tuple[str, str], date] = {}
        self.changes: dict[tuple[str, str, str], date] = {}  # kind of change, where from → first day not reported
        self.unannounced: tuple[date, ...] = ()
        self.announced_on: date | None = None
        self.registered_on: date | None = None

    def take(self, entry: Entry) -> None:
        """Reads the next entry."""
        self._read(entry)
        if not self._is_out():
            self.out_of_service_on, self.replaced = None, False
        elif self.out_of_service_on is None:
            self.out_of_service_on = entry.day

    def _is_out(self) -> bool:
        """Whether nobody could save a life with it: kept from its first day on, whatever is mended in between."""
        return (
            self.withdrawn_on is not None
            or self.used_at is not None
            or self.fault_on is not None
            or self.pads_missing_on is not None
            or self.battery_empty_on is not None
        )

    def _read(self, entry: Entry) -> None:
        if entry.entry == "check":
            self._check(entry)
        elif entry.entry == "fault":
            self._fault(entry)
        elif entry.entry == "used":
            self._used(entry)
        elif not entry.known:
            return  # good news, or a matter for known people, from somebody we do not know
        elif entry.entry == "fitted":
            self._fitted(entry)
        elif entry.entry == "removed":
            self._removed(entry)
        elif entry.entry == "ordered":
            self._ordered(entry)
        elif entry.entry == "withdrawn":
            self.withdrawn_on = entry.day
            self._changed(entry)
        elif entry.entry == "returned":
            self.withdrawn_on = None
            self._changed(entry)
        elif entry.entry == "moved":
            self._moved(entry)
        elif entry.entry == "reported":
            self._reported(entry)
        elif entry.entry == "downloaded":
            self.uses = [use._replace(downloaded=True) for use in self.uses]
        elif entry.entry == CORRECTED:
            self._noticed(entry, CORRECTED)

    def _check(self, entry: Entry) -> None:
        self._bad_news(entry)
        if not entry.known:
            return
        scope = entry.readings.get("scope", "look")
        # A wider look holds the narrower ones: whoever inspects has also tested and looked.
        for covered in SCOPES[: SCOPES.index(scope) + 1] if scope in SCOPES else ("look",):
            self.done[covered] = entry.day
        if entry.readings.get("self-test") == "ok":
            self.fault_on, self.fault = None, ""
        for name in MENDED_BY_HAND:
            if name in entry.readings and is_good(name, entry.readings[name]):
                self.bad.pop(name, None)
        if self.used_at is not None and self.pads_fitted_since_use and all_good(entry.readings):
            self.used_at = None

    def _bad_news(self, entry: Entry) -> None:
        readings = entry.readings
        if readings.get("self-test") == "fault":
            self._open_fault(entry)
        battery = battery_word(readings.get("battery", ""))
        if battery == "low":
            self.battery_low_on = self.battery_low_on or entry.day
        elif battery == "empty":
            self.battery_empty_on = self.battery_empty_on or entry.day
        pads = readings.get("pads", "ok")
        if pads == "expiring":
            self.pads_low_on = self.pads_low_on or entry.day
        elif pads in ("past", "opened"):
            self.pads_bad_on = self.pads_bad_on or entry.day
        elif pads == "missing":
            self.pads_missing_on = self.pads_missing_on or entry.day
        for name in MENDED_BY_HAND:
            if name in readings and not is_good(name, readings[name]):
                since = self.bad[name][1] if name in self.bad else entry.day
                self.bad[name] = (readings[name], since)

    def _fault(self, entry: Entry) -> None:
        self._bad_news(entry)
        # A fault that names only the cabinet, the kit or the like does not make the unit itself doubtful.
        told = {name for name, value in entry.readings.items() if not is_good(name, value)}
        if not told:
            self._open_fault(entry)

    def _open_fault(self, entry: Entry) -> None:
        if self.fault_on is None:
            self.fault_on = entry.day
        self.fault = entry.note or self.fault

    def _used(self, entry: Entry) -> None:
        self.used_at = self.used_at or entry.at
        self.last_used_on = entry.day
        shocks, minutes = (number(entry.readings.get(name, "")) for name in ("shocks", "cpr-minutes"))
        self.uses.append(Use(entry.at, entry.day, shocks, minutes))
        self.pads_fitted_since_use = False

    def _fitted(self, entry: Entry) -> None:
        kind = entry.part.get("kind", "")
        self.ordered.pop(kind, None)
        if kind.startswith("pads-"):
            self.pads_low_on = self.pads_bad_on = self.pads_missing_on = None
            self.pads_fitted_since_use = True
        elif kind == "battery":
            self.battery_low_on = self.battery_empty_on = None
            self.uses = [use._replace(on_battery=False) for use in self.uses]

    def _removed(self, entry: Entry) -> None:
        kind = entry.part.get("kind", "")
        if kind.startswith("pads-"):
            self.pads_missing_on = self.pads_missing_on or entry.day
        elif kind == "battery":
            self.battery_empty_on = self.battery_empty_on or entry.day

    def _ordered(self, entry: Entry) -> None:
        kind, expected = entry.part.get("kind", ""), entry.part.get("expected", "")
        if kind and expected:  # an order without an expected day covers nothing
            self.ordered[kind] = date.fromisoformat(expected)

    def _reported(self, entry: Entry) -> None:
        if "notice" in entry.readings:
            self._noticed(entry, entry.readings.get("stage", STAGES[0]))
            return
        about = entry.readings.get("about", "")
        rule = entry.readings.get("rule", "")
        if about == "crew":
            self.uses = [use._replace(note_handed=True) for use in self.uses]
        elif about == SENT:
            self.sent_on = entry.day
            self._bad_news(entry)
        elif about == "replaced":
            self.replaced = True
        elif about == "registration":
            self.registered_on, self.changes = entry.day, {}
        elif about == "registration-change":
            self.changes = {}  # nothing is registered anew by it, and no registration renewed
        elif about == "responders":
            self.announced_on, self.unannounced = entry.day, ()
        elif rule and about in ("", "use"):
            self.uses = [use._replace(reported_for=_with(use.reported_for, rule)) for use in self.uses]
        elif about == "use" or (about == "" and not all(use.reported for use in self.uses)):
            self.uses = [use._replace(reported=True) for use in self.uses]
        else:
            self.reported_on = entry.day

    def _changed(self, entry: Entry) -> None:
        """Something that a register wants to know: counted from the first of its kind that nobody has reported."""
        self.changes.setdefault((entry.entry, *entry.origin), entry.day)

    def _moved(self, entry: Entry) -> None:
        self._changed(entry)
        # Rules may pass over placements before some day, so that the first alone would not do.
        if entry.day not in self.unannounced:
            self.unannounced = tuple(sorted((*self.unannounced, entry.day)))

    def _placing(self) -> Placing | None:
        changes = [Change(event, day, *origin) for (event, *origin), day in self.changes.items()]
        found = Placing(
            tuple(sorted(changes, key=lambda change: (change.day, *change))),
            self.unannounced,
            self.announced_on,
            self.registered_on,
        )
        return None if found == Placing() else found

    def _noticed(self, entry: Entry, what: str) -> None:
        """Something about a safety notice; it says nothing of checks and uses."""
        reference = entry.readings.get("notice", "")
        if reference:
            self.notices[reference, what] = entry.day

    def evidence(self) -> Evidence:
        """The state at the end of the log."""
        return Evidence(
            looked_on=self.done.get("look"),
            tested_on=self.done.get("test"),
            inspected_on=self.done.get("inspection"),
            reported_on=self.reported_on,
            withdrawn_on=self.withdrawn_on,
            used_at=self.used_at,
            last_used_on=self.last_used_on,
            uses=tuple(use for use in self.uses if _matters(use)),
            out_of_service_on=None if self.replaced else self.out_of_service_on,
            sent_on=self.sent_on,
            placing=self._placing(),
            fault_on=self.fault_on,
            fault=self.fault,
            battery_low_on=self.battery_low_on,
            battery_empty_on=self.battery_empty_on,
            pads_low_on=self.pads_low_on,
            pads_bad_on=self.pads_bad_on,
            pads_missing_on=self.pads_missing_on,
            ordered=tuple(sorted(self.ordered.items())),
            bad_readings=tuple(sorted((name, value, since) for name, (value, since) in self.bad.items())),
            notices=tuple(sorted((reference, what, day) for (reference, what), day in self.notices.items())),
        )


def _with(rules: tuple[str, ...], rule: str) -> tuple[str, ...]:
    return tuple(sorted({*rules, rule}))


def _matters(use: Use) -> bool:
    """Whether anything after the use is open still, or the battery that it drained is in the unit."""
    return use.on_battery or not (use.reported and use.downloaded and use.note_handed)
