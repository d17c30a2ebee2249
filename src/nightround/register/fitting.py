"""A part that somebody fitted: what its label says, in digits and in code, and whether that can be right.

It looks and judges; `register.standing` writes. A typed date is never pushed back by a code: the earlier counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Protocol

from sqlalchemy import Connection, select

from ..errors import UserError
from ..reckoning.dates import month_end
from ..store.tables import parts, units
from . import labelled
from .cells import Refused, scanned
from .found import LabelDate
from .plausible import Odd, of_part
from .scanning.scan import LONGEST


class Unlikely(UserError):
    """Days that cannot be right, and why; a person may insist on them."""

    def __init__(self, why: str) -> None:
        super().__init__(f"{why}; correct it, or keep it, marked, with --accept-odd")
        self.why = why


@dataclass(slots=True)
class Fitting:
    """The columns of the fitted part, what is odd, and what a person must be told."""

    columns: dict[str, Any]
    odd: list[Odd] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def label_day(text: str) -> date:
    """The last good day of a label date typed as YYYY-MM-DD or YYYY-MM (good to the end of the month)."""
    try:
        if len(text) == 7:
            return month_end(date.fromisoformat(f"{text}-01"))
        return date.fromisoformat(text)
    except ValueError:
        raise UserError(f"label_date {text!r} is not a date; write it as 2029-04-30, or 2029-04 for a month") from None


def code_of(text: str) -> str:
    """A label's code as the register keeps it. Raises UserError for what is none."""
    try:
        found = scanned(text) or ""
    except Refused as wrong:
        raise UserError(f"udi {text!r}: {wrong}") from None
    if len(found) > LONGEST:
        raise UserError(f"udi: the code has {len(found)} characters; a label has at most {LONGEST}")
    return found


class Labelled(Protocol):
    """What a spare on record says of itself."""

    @property
    def lot(self) -> str: ...
    @property
    def label_date(self) -> str: ...
    @property
    def last_good_day(self) -> date | None: ...
    @property
    def read_from(self) -> str: ...
    @property
    def udi(self) -> str: ...
    @property
    def odd(self) -> bool: ...


def look_at(conn: Connection, unit_id: int, part: Mapping[str, str], fitted_on: date, today: date) -> Fitting:
    """What the part is once it is fitted. `part`: the entry's details; days are those at the site."""
    lot = part.get("lot", "") or labelled.lot_of(code_of(part.get("udi", "")), today)
    spare = _spare(conn, unit_id, part["kind"], lot, code_of(part.get("udi", "")))
    made_on = conn.execute(select(units.c.made_on).where(units.c.id == unit_id)).scalar_one()
    return judge(part, fitted_on, today, spare, made_on)


def judge(
    part: Mapping[str, str], fitted_on: date, today: date, spare: Labelled | None, made_on: date | None
) -> Fitting:
    """The same, pure: `spare` is the one that was fitted, `made_on` the day on which the unit was made."""
    udi = code_of(part.get("udi", ""))
    lot = part.get("lot", "") or labelled.lot_of(udi, today)
    label = _typed(part)
    if label is None and spare is not None and spare.last_good_day is not None:
        label = LabelDate(spare.label_date, spare.last_good_day, spare.read_from)
    if spare is not None:
        udi, lot = udi or spare.udi, lot or spare.lot
    settled = labelled.of_part(udi, lot, label, today)
    columns: dict[str, Any] = {"lot": settled.lot, "udi": udi, "fitted_on": fitted_on, "odd": False}
    columns |= {"label_date": "", "last_good_day": None, "read_from": ""}
    if settled.label is not None:
        found = settled.label
        columns |= {"label_date": found.raw, "last_good_day": found.last_good_day, "read_from": found.read_from}
    fitting = Fitting(columns)
    fitting.remarks = remarks_on(settled)
    fitting.odd = of_part(part["kind"], columns["last_good_day"], fitted_on, made_on, max(today, fitted_on))
    if spare is not None and spare.odd and spare.last_good_day == columns["last_good_day"]:
        # Somebody looked at that date already and kept it.
        columns["odd"] = True
        fitting.odd = [one for one in fitting.odd if one.field != "label_date"]
    return fitting


def columns_of(
    part: Mapping[str, str], fitted_on: date, spare: Labelled | None, made_on: date | None
) -> dict[str, Any]:
    """What the register keeps of a part that an entry fitted; days that cannot be right are kept, marked.

    A label date that cannot be read, which no entry has that was looked at when it was written, is not recorded.
    """
    readable = {name: text for name, text in part.items() if name != "label_date" or _is_day(text)}
    fitting = judge({"kind": "", **readable}, fitted_on, fitted_on, spare, made_on)
    return fitting.columns | {"odd": fitting.columns["odd"] or bool(fitting.odd)}


def is_told_of(part: Mapping[str, str], fitted_on: date, lot: str, last_good_day: date | None) -> bool:
    """Whether an entry may speak of a part of that lot and label that was fitted on the same day.

    The same lot is the same part, whatever its label was corrected to; else no two labels may differ.
    """
    told = columns_of(part, fitted_on, None, None)
    if lot and told["lot"] and lot == told["lot"]:
        return True
    is_same_label = told["last_good_day"] is not None and told["last_good_day"] == last_good_day
    if lot and told["lot"]:
        return is_same_label
    return is_same_label or None in (told["last_good_day"], last_good_day)


def refuse_odd(fitting: Fitting) -> None:
    """Raises Unlikely for days that cannot be right, with the reason (reckoning.md §2)."""
    said = [f"{one.field} {_shown(fitting, one.field)} {one.why}" for one in fitting.odd]
    if said:
        raise Unlikely("; ".join(said))


def remarks_on(settled: labelled.Settled) -> list[str]:
    """What a person must be told of a label's code, in sentences."""
    found = [f"{one.field} {one.typed}: {one.cure()}" for one in settled.contradictions]
    return found + [f"the label's code: {warning}" for warning in settled.warnings]


def _shown(fitting: Fitting, name: str) -> str:
    return str(fitting.columns.get("last_good_day" if name == "label_date" else name, ""))


def _is_day(text: str) -> bool:
    try:
        label_day(text)
    except UserError:
        return False
    return True


def _typed(part: Mapping[str, str]) -> LabelDate | None:
    text = part.get("label_date", "")
    return LabelDate(text, label_day(text)) if text else None


def _spare(conn: Connection, unit_id: int, kind: str, lot: str, udi: str) -> Any:
    """The spare of that lot, or with that code, kept for the unit; None where there is none."""
    if not lot and not udi:
        return None
    mine = (parts.c.unit_id == unit_id, parts.c.state == "spare", parts.c.kind == kind)
    same = parts.c.lot == lot if lot else parts.c.udi == udi
    return conn.execute(select(parts).where(*mine, same).order_by(parts.c.id)).first()
