"""Small builders for notices: one in a line, and units with their marks. Models and makers are invented."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from nightround.reckoning.concerned import Matcher
from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.facts import Evidence, Marks, Part, UnitFacts
from nightround.reckoning.noticed import Board
from nightround.reckoning.notices import Action, Concern, Notice, Verdict
from nightround.reckoning.numbering import Range
from nightround.reckoning.owed import Reckoned
from nightround.reckoning.rules import Force, ModelSheet
from tests.reckoning.core.build import HOUSE, NOWHERE, d, good_parts

MODEL = "Orrel Twin"


def ranges(*pairs: str | tuple[str, str]) -> tuple[Range, ...]:
    return tuple(Range(pair, pair) if isinstance(pair, str) else Range(*pair) for pair in pairs)


def concern(**more: Any) -> Concern:
    return Concern(**({"models": (MODEL,)} | more))


def notice(*concerns: Concern, **more: Any) -> Notice:
    fields: dict[str, Any] = {
        "reference": "FSN-7",
        "version": 1,
        "grade": "II",
        "title": "relay may stick",
        "source": "letter of the maker",
        "force": Force.MANUFACTURER,
        "published_on": d("2016-10-06"),
        "received_on": d("2016-10-10"),
        "action": Action.KEEP,
        "what_to_do": "Order the replacement relay.",
        "underway_by": None,
        "complete_by": None,
        "closed_on": None,
        "corrections_from": None,
        "concerns": concerns or (concern(every_unit=True),),
    }
    return Notice(**(fields | more))


def unit(
    serial: str = "",
    made_on: str | None = None,
    firmware: str = "",
    model: str = MODEL,
    parts: Iterable[Part] | None = None,
    noted: Iterable[tuple[str, str]] = (),
    **said: Any,
) -> UnitFacts:
    """A unit in order. `noted`: what the log says of FSN-7, and the day."""
    notices = tuple(sorted(("FSN-7", what, d(day)) for what, day in noted))
    evidence = Evidence(**({"looked_on": d("2016-10-20"), "notices": notices} | said))
    marks = Marks(serial, d(made_on) if made_on else None, firmware)
    return UnitFacts("U-1", model, d("2005-06-01"), tuple(good_parts() if parts is None else parts), evidence, marks)


def part(kind: str, lot: str, state: str = "fitted", fitted_on: str | None = None, id_: int = 1) -> Part:
    return Part(id_, kind, state, d("2040-06-30"), d(fitted_on) if fitted_on else None, lot)


def match(of: Notice, facts: UnitFacts, *sheets: ModelSheet) -> Verdict:
    return Matcher(of, {sheet.model: sheet for sheet in sheets}).match(facts)


def judge(of: Notice, facts: UnitFacts) -> Verdict:
    return Matcher(of, {}).judge(facts)


def reckon(facts: UnitFacts, day: str | date, *notices: Notice) -> Reckoned:
    on = d(day) if isinstance(day, str) else day
    board = Board(notices, {})
    return Reckoner(NOWHERE, HOUSE, {}, working_days("", ""), on, board).unit(facts)
