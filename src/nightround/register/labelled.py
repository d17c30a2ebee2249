"""What the code on a label says beside what a person typed: fills what is empty, and finds where the two differ.

Pure; it never pushes a typed date back: of two dates the earlier counts (reckoning.md §2), and what was typed as lot
or serial stays. Whoever calls it must tell a person of every contradiction and every warning.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import NamedTuple

from ..errors import UserError
from .cells import Refused, code
from .days import YEARS
from .found import LabelDate
from .scanning.label import Label
from .scanning.scan import scan

# A bare number that begins so may be a lot or a serial by GS1, or anybody's own bar code.
_ANY_NUMBER = re.compile(r"(?:10|21)[^()\x1d]*")
LONGEST = 64  # characters of a lot or serial that the register keeps


class Contradiction(NamedTuple):
    """A field in which the label's code and what was typed differ, as people read both; `used` is what counts."""

    field: str
    typed: str
    scanned: str
    used: str

    def cure(self, where: str = "the label's code") -> str:
        """What is wrong and what to do, after the place and the typed value; `where` names the code's place."""
        says = f"{where} says {self.scanned}"
        if self.field in ("label_date", "made_on"):
            return f"{says}; the earlier, {self.used}, counts; compare with the label and correct one of the two"
        what = ", and until then no notice about lots can tell" if self.field == "lot" else ""
        return f"{says}; {self.used} is kept as typed{what}; compare with the label and correct one of the two"


@dataclass(slots=True)
class Settled:
    """A part's lot and label date, or a unit's serial and made-on day, once the code has been heard.

    `warnings` are sentences about the code alone: unreadable, a wrong check character.
    """

    lot: str = ""
    label: LabelDate | None = None
    serial: str = ""
    made_on: date | None = None
    filled: list[str] = field(default_factory=list)
    contradictions: list[Contradiction] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def of_part(udi: str, lot: str, label: LabelDate | None, today: date) -> Settled:
    """Lot and label date of a part. `label` is the typed date, None where nothing is; `today`: at the site.

    Where the two dates differ the earlier is given, with what it was read from; where they agree, as it was typed.
    """
    settled = Settled(lot, label)
    heard = _hear(udi, today, settled)
    if heard is None:
        return settled
    settled.lot = _text("lot", lot, heard.lot, settled)
    scanned = heard.expires_on
    if scanned is None:
        return settled
    found = LabelDate(scanned.isoformat(), scanned, heard.kind)
    if label is None:
        settled.filled.append("label_date")
        settled.label = found
    elif label.last_good_day == scanned:
        settled.label = LabelDate(label.raw, scanned, heard.kind)
    else:
        used = min(label, found, key=lambda one: one.last_good_day)
        settled.label = used
        settled.contradictions.append(
            Contradiction("label_date", label.raw, scanned.isoformat(), used.last_good_day.isoformat())
        )
    return settled


def of_unit(udi: str, serial: str, made_on: date | None, today: date) -> Settled:
    """Serial and made-on day of a device from its own code; of two days the earlier, of two serials the typed one."""
    settled = Settled(serial=serial, made_on=made_on)
    heard = _hear(udi, today, settled)
    if heard is None:
        return settled
    settled.serial = _text("serial", serial, heard.serial, settled)
    if heard.made_on is None:
        return settled
    if made_on is None:
        settled.filled.append("made_on")
        settled.made_on = heard.made_on
    elif made_on != heard.made_on:
        settled.made_on = min(made_on, heard.made_on)
        settled.contradictions.append(
            Contradiction("made_on", made_on.isoformat(), heard.made_on.isoformat(), settled.made_on.isoformat())
        )
    return settled


def lot_of(udi: str, today: date) -> str:
    """The lot that the code says; "" where it says none or cannot be read."""
    heard = _hear(udi, today, Settled())
    return heard.lot if heard is not None else ""


def _text(name: str, typed: str, scanned: str, settled: Settled) -> str:
    if not scanned:
        return typed
    if not typed:
        settled.filled.append(name)
        return scanned
    if _level(typed) != _level(scanned):
        settled.contradictions.append(Contradiction(name, typed, scanned, typed))
    return typed


def _level(text: str) -> str:
    return "".join(text.split()).casefold()


def _hear(udi: str, today: date, settled: Settled) -> Label | None:
    if not udi:
        return None
    heard, warnings = _heard(udi, today)
    settled.warnings += warnings
    return heard


@lru_cache(maxsize=4096)  # the same lot is in many units
def _heard(udi: str, today: date) -> tuple[Label | None, tuple[str, ...]]:
    try:
        label = scan(udi, today)
    except UserError as error:
        return None, (str(error),)
    if not label.product and _ANY_NUMBER.fullmatch(udi):
        return None, (
            f"{udi!r} may be any number: a label's code begins with the product (01), or is written with brackets; "
            "scan all of it, or type what it says",
        )
    warnings = list(label.warnings)
    label.lot = _kept("lot", label.lot, warnings)
    label.serial = _kept("serial", label.serial, warnings)
    label.expires_on = _within("expiry", label.expires_on, warnings)
    label.made_on = _within("date of manufacture", label.made_on, warnings)
    return label, tuple(warnings)


def _kept(what: str, text: str, warnings: list[str]) -> str:
    """The text as a cell of it would be kept; "" where the register cannot keep it."""
    try:
        found = code(text) if text else None
    except Refused:
        found = None
    if text and (found is None or len(found) > LONGEST):
        warnings.append(f"the {what} in the code cannot be kept; type it from the label")
        return ""
    return found or ""


def _within(what: str, day: date | None, warnings: list[str]) -> date | None:
    if day is None or day.year in YEARS:
        return day
    warnings.append(
        f"the {what} in the code is {day}, outside the years {YEARS[0]} to {YEARS[-1]}; type it from the label"
    )
    return None
