"""Digests the log of one unit into what it says today (reckoning.md §2, §5, §6).

An entry by a known person counts as evidence. One by an unknown passer-by counts only when it is bad news: it can
open a fault, a use or a bad reading, and can never close one or stand for a check.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from .facts import Change, Entry, Evidence, Fitting, Pads, Placing, Use
from .readings import (
    CORRECTED,
    MENDED_BY_HAND,
    SCOPES,
    SENT,
    STAGES,
    all_good,
    battery_word,
    is_good,
    number,
    pads_were_opened,
)

_ANY = ""  # in the place of a kind of pads: whichever there are, where none is on record as fitted
_UNIVERSAL = "pads-universal"
_FOR_ADULTS = frozenset(("pads-adult", _UNIVERSAL))
_SERVES = {"adult": _FOR_ADULTS, "child": frozenset(("pads-child", _UNIVERSAL))}


def digest(entries: Iterable[Entry], fittings: Iterable[Fitting] = ()) -> Evidence:
    """What the entries say, taken in the order of their time. Struck entries must have been left out.

    `fittings` are those that the register tells of beside the log. One with a day ends what was seen before that day;
    what was seen on the day itself may have been seen after, and counts.
    """
    book = _Book(fittings)
    for entry in sorted(entries, key=lambda entry: entry.at):
        book.take(entry)
    book.fit_until(date.max)
    return book.evidence()


def carried(entries: Iterable[Entry], fittings: Iterable[Fitting] = ()) -> tuple[Evidence, dict[str, Any]]:
    """All that the entries still do to whatever is logged after them.

    Where two logs give equal ones, every further entry, and every entry after them that is struck, gives the same
    evidence in both. Struck entries must have been left out.
    """
    book = _Book(fittings)
    for entry in sorted(entries, key=lambda entry: entry.at):
        book.take(entry)
    return book.evidence(), {name: value for name, value in vars(book).items() if name not in Evidence._fields}


class _Book:
    """The open matters while the log is read from its beginning."""

    def __init__(self, fittings: Iterable[Fitting]) -> None:
        self.waiting = sorted((one.on, one.kind) for one in fittings if one.on is not None)
        self.fitted = {one.kind for one in fittings if one.on is None and one.kind.startswith("pads-")}  # pads alone
        self.done: dict[str, date] = {}  # scope of a check → last day of it
        self.reported_on: date | None = None
        self.sent_on: date | None = None
        self.withdrawn_on: date | None = None
        self.used_at: datetime | None = None
        self.last_used_on: date | None = None
        self.uses: list[Use] = []
        self.out_of_service_on: date | None = None
        self.replaced = False
        # For each set of pads that a use took and nobody has replaced: the kinds of which a new one will do.
        self.to_replace: set[frozenset[str]] = set()
        self.fault_on: date | None = None
        self.fault = ""
        self.battery_low_on: date | None = None
        self.battery_empty_on: date | None = None
        self.pads_of = {_ANY: Pads(_ANY)}
        self.ordered: set[tuple[str, date]] = set()
        self.bad: dict[str, tuple[str, date]] = {}
        self.notices: dict[tuple[str, str], date] = {}
        self.changes: dict[tuple[str, str, str], date] = {}  # kind of change, where from → first day not reported
        self.unannounced: tuple[date, ...] = ()
        self.announced_on: date | None = None
        self.registered_on: date | None = None

    def take(self, entry: Entry) -> None:
        """Reads the next entry."""
        self.fit_until(entry.day)
        self._read(entry)
        self._stands(entry.day)

    def fit_until(self, day: date) -> None:
        """Takes in what the register tells of as fitted up to that day."""
        while self.waiting and self.waiting[0][0] <= day:
            on, kind = self.waiting.pop(0)
            self._put_in(kind)
            self._stands(on)

    def _stands(self, day: date) -> None:
        if not self._is_out():
            self.out_of_service_on, self.replaced = None, False
        elif self.out_of_service_on is None:
            self.out_of_service_on = day

    def _is_out(self) -> bool:
        """Whether nobody could save a life with it: kept from its first day on, whatever is mended in between."""
        missing = {kind for kind, said in self.pads_of.items() if said.missing_on is not None}
        return (
            self.withdrawn_on is not None
            or self.used_at is not None
            or self.fault_on is not None
            or (bool(missing) and not (self.fitted & _FOR_ADULTS) - missing)
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
            self._put_in(entry.part.get("kind", ""))
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
        if self.used_at is not None and not self.to_replace and all_good(entry.readings):
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
        for kind in self._spoken_of(entry):
            self._seen(kind, pads, entry.day)
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

    def _spoken_of(self, entry: Entry) -> frozenset[str]:
        """The kinds of pads that a reading of them speaks of: the one that it names, else all that are fitted.

        Of a use those of its mode; where none is on record for it they are not told from the others.
        """
        named = entry.part.get("kind", "")
        if named.startswith("pads-"):
            return frozenset((named,))
        fitted = frozenset(self.fitted)
        mode = entry.readings.get("mode", "") if entry.entry == "used" else ""
        return (fitted & _SERVES.get(mode, fitted)) or fitted or frozenset((_ANY,))

    def _seen(self, kind: str, word: str, day: date) -> None:
        said = self.pads_of.get(kind) or self.pads_of[_ANY]._replace(kind=kind)
        if word == "expiring":
            self.pads_of[kind] = said._replace(low_on=said.low_on or day)
        elif word in ("past", "opened"):
            self.pads_of[kind] = said._replace(bad_on=said.bad_on or day)
        elif word == "missing":
            self.pads_of[kind] = said._replace(missing_on=said.missing_on or day)

    def _used(self, entry: Entry) -> None:
        self._bad_news(entry)
        if pads_were_opened(entry.readings):
            taken = self._spoken_of(entry)
            self.to_replace |= {self._replaced_by(kind, entry.readings.get("mode", "")) for kind in taken}
            for kind in taken:
                self._seen(kind, "opened", entry.day)
        self.used_at = self.used_at or entry.at
        self.last_used_on = entry.day
        shocks, minutes = (number(entry.readings.get(name, "")) for name in ("shocks", "cpr-minutes"))
        self.uses.append(Use(entry.at, entry.day, shocks, minutes))

    def _replaced_by(self, kind: str, mode: str) -> frozenset[str]:
        """The kinds of which new pads do for those of this kind that were used in that mode; empty: any."""
        if kind == _ANY:
            return frozenset()
        return frozenset((kind, _UNIVERSAL)) | (_SERVES.get(mode, frozenset()) if kind == _UNIVERSAL else frozenset())

    def _put_in(self, kind: str) -> None:
        """A new part of the kind: whatever was said of the one before, and ordered until then, is over."""
        self.ordered = {order for order in self.ordered if order[0] != kind}
        if kind.startswith("pads-"):
            self.fitted.add(kind)
            self.pads_of[kind] = Pads(kind)
            self.to_replace = {kinds for kinds in self.to_replace if kinds and kind not in kinds}
        elif kind == "battery":
            self.battery_low_on = self.battery_empty_on = None
            self.uses = [use._replace(on_battery=False) for use in self.uses]

    def _removed(self, entry: Entry) -> None:
        kind = entry.part.get("kind", "")
        self.fitted.discard(kind)
        if kind.startswith("pads-"):
            self._seen(kind, "missing", entry.day)
        elif kind == "battery":
            self.battery_empty_on = self.battery_empty_on or entry.day

    def _ordered(self, entry: Entry) -> None:
        kind, expected = entry.part.get("kind", ""), entry.part.get("expected", "")
        if kind and expected:  # an order without an expected day covers nothing
            self.ordered.add((kind, date.fromisoformat(expected)))

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

    def _is_other(self, said: Pads) -> bool:
        return said._replace(kind=_ANY) != self.pads_of[_ANY]

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
            uses=tuple(use for use in self.uses if _matters(use) or use.at == self.used_at),
            out_of_service_on=None if self.replaced else self.out_of_service_on,
            sent_on=self.sent_on,
            placing=self._placing(),
            fault_on=self.fault_on,
            fault=self.fault,
            battery_low_on=self.battery_low_on,
            battery_empty_on=self.battery_empty_on,
            pads_low_on=self.pads_of[_ANY].low_on,
            pads_bad_on=self.pads_of[_ANY].bad_on,
            pads_missing_on=self.pads_of[_ANY].missing_on,
            pads=tuple(sorted((said for said in self.pads_of.values() if self._is_other(said)), key=_kind)),
            ordered=tuple(sorted(self.ordered)),
            bad_readings=tuple(sorted((name, value, since) for name, (value, since) in self.bad.items())),
            notices=tuple(sorted((reference, what, day) for (reference, what), day in self.notices.items())),
        )


def _with(rules: tuple[str, ...], rule: str) -> tuple[str, ...]:
    return tuple(sorted({*rules, rule}))


def _kind(said: Pads) -> str:
    return said.kind


def _matters(use: Use) -> bool:
    """Whether anything after the use is open still, or the battery that it drained is in the unit."""
    return use.on_battery or not (use.reported and use.downloaded and use.note_handed)
