"""Finds which units and spares a safety notice means, by what is on record; never `clear` because a fact is missing.

Each question has three answers: yes, no, and cannot be told (None). A no settles an `and`, a yes an `or`, whatever
cannot be told beside it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import NamedTuple

from .facts import Marks, Part, UnitFacts
from .notices import Concern, Days, Finding, Notice, Verdict
from .numbering import Numbers, Range, version_within
from .parts import kinds_wanted
from .readings import CORRECTED, STAGES
from .rules import ModelSheet

CLEAR = Verdict(Finding.CLEAR, "")
KEPT = 4096  # models remembered at most
_WORDS = re.compile(r"[^\W\d_]+|\d+")


class _Answer(NamedTuple):
    holds: bool | None
    said: tuple[str, ...]


_NO, _YES = _Answer(False, ()), _Answer(True, ())


class Matcher:
    """One notice, made ready for asking about many units. `sheets` are the model sheets by model name."""

    def __init__(self, notice: Notice, sheets: Mapping[str, ModelSheet]) -> None:
        self.notice = notice
        self._sheets = sheets
        self._concerns = tuple(_Ready(concern) for concern in notice.concerns)
        self._about_lots = any(concern.lots for concern in notice.concerns)
        self._of_model: dict[str, tuple[tuple[_Ready, _Answer], ...]] = {}

    def may_concern(self, model: str) -> bool:
        """Whether a unit recorded with that model could be meant at all."""
        return bool(self._for(model))

    def match(self, facts: UnitFacts) -> Verdict:
        """What the facts alone say. Raises ValueError for facts that were read without their marks."""
        if facts.marks is None:
            raise ValueError("the unit's serial number and its like were not read")
        unknown = self._unknown(facts) if self._about_lots else ()
        return self._match(facts.model, facts.marks, facts.parts, unknown)

    def judge(self, facts: UnitFacts) -> Verdict:
        """What the facts say, unless the log says that the unit is corrected or not concerned.

        A correction holds for what was there then: a part fitted later is looked at anew. That a unit was found not
        to be concerned counts only where the facts cannot tell.
        """
        found = self.match(facts)
        if found.finding is Finding.CLEAR:
            return found
        corrected = self._recorded(facts, CORRECTED)
        if corrected is not None and self._counts(corrected):
            later = tuple(part for part in facts.parts if part.fitted_on is not None and part.fitted_on > corrected)
            again = self._match(facts.model, None, later, ())
            return Verdict(Finding.CORRECTED, found.why, corrected) if again.finding is Finding.CLEAR else again
        cleared = self._recorded(facts, STAGES[2])
        if cleared is not None and found.finding is Finding.CANNOT_TELL:
            return Verdict(Finding.NOT_CONCERNED, found.why, cleared)
        return found

    def spares(self, parts: Sequence[Part]) -> Verdict:
        """What it means for spares kept at a site for no one unit: their lots decide, whatever the model."""
        found = [_of_lots(ready, parts, ()) for ready in self._concerns if ready.concern.lots]
        return _verdict(_any_of(found))

    def _counts(self, corrected: date) -> bool:
        return self.notice.corrections_from is None or corrected >= self.notice.corrections_from

    def _recorded(self, facts: UnitFacts, what: str) -> date | None:
        for reference, word, day in facts.evidence.notices:
            if reference == self.notice.reference and word == what:
                return day
        return None

    def _match(self, model: str, marks: Marks | None, parts: Sequence[Part], unknown: tuple[str, ...]) -> Verdict:
        """With no marks, only by the lots of the parts."""
        answers = []
        for ready, by_model in self._for(model):
            if marks is not None:
                answers.append(_all_of([by_model, ready.answer(marks, parts, unknown)]))
            elif ready.concern.lots:
                answers.append(_all_of([by_model, _of_lots(ready, parts, unknown)]))
        return _verdict(_any_of(answers))

    def _for(self, model: str) -> tuple[tuple[_Ready, _Answer], ...]:
        known = self._of_model.get(model)
        if known is None:
            if len(self._of_model) >= KEPT:
                self._of_model.clear()
            asked = [(ready, self._by_model(model, ready.concern.models)) for ready in self._concerns]
            known = self._of_model[model] = tuple(pair for pair in asked if pair[1].holds is not False)
        return known

    def _by_model(self, model: str, named: tuple[str, ...]) -> _Answer:
        if not named:
            return _YES
        if not model.strip():
            return _Answer(None, ("model not recorded",))
        return _any_of([_same_model(model, name, self._sheets) for name in named])

    def _unknown(self, facts: UnitFacts) -> tuple[str, ...]:
        """The kinds of part that must be fitted, of which none is on record and none is known to be missing."""
        kinds = {part.kind for part in facts.parts if part.state == "fitted"}
        said = facts.evidence
        wanted = kinds_wanted(kinds, self._sheets.get(facts.model))
        return tuple(
            kind
            for kind in wanted
            if not (
                said.of_pads(kind).missing_on
                if kind.startswith("pads-")
                else kind == "battery" and said.battery_empty_on
            )
        )


class _Ready:
    """A concern with its numbers made ready."""

    def __init__(self, concern: Concern) -> None:
        self.concern = concern
        self.serials = Numbers(concern.serials)
        self.lots = Numbers(concern.lots)

    def answer(self, marks: Marks, parts: Sequence[Part], unknown: tuple[str, ...]) -> _Answer:
        """Whether a unit of the model is meant."""
        concern = self.concern
        if concern.every_unit:
            return _Answer(True, ("every unit of the model",))
        found = []
        if concern.serials:
            found.append(_of_serial(self, marks.serial))
        if concern.made:
            found.append(_of_making(concern.made, marks.made_on))
        if concern.firmware:
            found.append(_of_firmware(concern.firmware, marks.firmware))
        if concern.lots:
            found.append(_of_lots(self, parts, unknown))
        return _all_of(found) if concern.all_of else _any_of(found)


def _of_serial(ready: _Ready, serial: str) -> _Answer:
    if not serial.strip():
        return _Answer(None, ("serial not recorded",))
    holds, named = ready.serials.hold(serial)
    return _number_said(holds, f"serial {serial}", named)


def _of_making(named: tuple[Days, ...], made_on: date | None) -> _Answer:
    if made_on is None:
        return _Answer(None, ("day of making not recorded",))
    for days in named:
        if (days.first is None or days.first <= made_on) and (days.last is None or made_on <= days.last):
            return _Answer(True, (f"made {made_on}, {_within(str(days))}",))
    return _NO


def _of_firmware(named: tuple[Range, ...], firmware: str) -> _Answer:
    if not firmware.strip():
        return _Answer(None, ("firmware not recorded",))
    return _any_of([_number_said(version_within(firmware, one), f"firmware {firmware}", str(one)) for one in named])


def _of_lots(ready: _Ready, parts: Sequence[Part], unknown: tuple[str, ...]) -> _Answer:
    found = []
    for part in parts:
        if part.kind not in ready.concern.parts:
            continue
        if not part.lot.strip():
            found.append(_Answer(None, (f"lot of the {part.state} {part.kind} not recorded",)))
        else:
            holds, named = ready.lots.hold(part.lot)
            found.append(_number_said(holds, f"lot {part.lot} of the {part.state} {part.kind}", named))
    found += [_Answer(None, (f"no fitted {kind} on record",)) for kind in unknown if kind in ready.concern.parts]
    return _any_of(found)


def _number_said(holds: bool | None, what: str, named: str) -> _Answer:
    if holds is False:
        return _NO
    if holds is None:
        return _Answer(None, (f"{what} cannot be compared with {named}",))
    return _Answer(True, (f"{what} is {_within(named)}" if named else f"{what} is named",))


def _within(named: str) -> str:
    """`100 to 200` is something to be within, `2.004 or earlier` something to be."""
    return f"within {named}" if " to " in named else named


def _same_model(model: str, named: str, sheets: Mapping[str, ModelSheet]) -> _Answer:
    """Whether two names are of one model: written alike, or names of one sheet. One name within the other: unclear."""
    one, other = _words(model), _words(named)
    if "".join(one) == "".join(other):
        return _YES
    sheet, of_named = sheets.get(model), sheets.get(named)
    if sheet is not None and of_named is not None:
        return _YES if sheet.model == of_named.model else _NO
    if set(one) <= set(other) or set(other) <= set(one):
        return _Answer(None, (f"model {model!r} may be {named!r}",))
    return _NO


def _words(model: str) -> list[str]:
    return _WORDS.findall(unicodedata.normalize("NFKC", model).casefold().replace("+", " plus "))


def _any_of(answers: Iterable[_Answer]) -> _Answer:
    listed = list(answers)
    for wanted in (True, None):
        said = [text for answer in listed if answer.holds is wanted for text in answer.said]
        if said or any(answer.holds is wanted for answer in listed):
            return _Answer(wanted, tuple(dict.fromkeys(said)))
    return _NO


def _all_of(answers: Iterable[_Answer]) -> _Answer:
    listed = list(answers)
    if any(answer.holds is False for answer in listed):
        return _NO
    wanted = None if any(answer.holds is None for answer in listed) else True
    said = [text for answer in listed if answer.holds is wanted for text in answer.said]
    return _Answer(wanted, tuple(dict.fromkeys(said)))


def _verdict(answer: _Answer) -> Verdict:
    if answer.holds is False:
        return CLEAR
    finding = Finding.MATCHES if answer.holds else Finding.CANNOT_TELL
    return Verdict(finding, "; ".join(answer.said))
