"""What a round found different: pure comparison of duties and conditions with what the last round left.

Gives rows to write; writes nothing.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from ..reckoning.owed import OWED_WHEN_WITHDRAWN, Because, Condition, Duty, Reckoned, Standing
from .loading import STORED, Loaded, OpenCase, Stored

_NAMES = tuple(column.name for column in STORED)
# What makes a move: a date or a standing. A reason worded anew is written, but is no move.
_MOVING = ("standing", "opens", "order_by", "last_good_day", "deadline")
_MOVING_AT = tuple(_NAMES.index(name) for name in _MOVING)
_SEQUENCED_AT = tuple(_NAMES.index(name) for name in ("standing", "last_good_day", "opens", "deadline"))
_PERIOD = _NAMES.index("period")
# Texts of reasons kept at most: many duties have the same.
KEPT = 20_000


class Changes:
    """The rows that one batch writes, gathered unit by unit."""

    def __init__(self, namespace: str, on: date, now: datetime) -> None:
        self._namespace = uuid.UUID(namespace)
        self._on = on
        self._now = now
        self._texts: dict[tuple[Because, ...], str] = {}
        self._what_texts: dict[tuple[Any, ...], str] = {}
        self._reason_texts: dict[tuple[str, ...], str] = {(): "[]"}
        self.clear()

    def clear(self) -> None:
        """Starts a new batch; texts already made are kept."""
        self.new_duties: list[dict[str, Any]] = []
        self.changed_duties: list[dict[str, Any]] = []
        self.gone_duties: list[int] = []
        self.moves: list[dict[str, Any]] = []
        self.new_conditions: list[dict[str, Any]] = []
        self.changed_conditions: list[dict[str, Any]] = []
        self.opened: list[dict[str, Any]] = []
        self.reworded: list[dict[str, Any]] = []
        self.closed: list[int] = []
        self.units = 0
        self.duties = 0

    def any(self) -> bool:
        """Whether there is anything to write."""
        return bool(
            self.new_duties
            or self.changed_duties
            or self.gone_duties
            or self.moves
            or self.new_conditions
            or self.changed_conditions
            or self.opened
            or self.reworded
            or self.closed
        )

    def unit(self, loaded: Loaded, reckoned: Reckoned) -> None:
        """Compares one unit."""
        self.units += 1
        self.holder(f"u{loaded.id}", loaded.id, loaded.site_id, reckoned.duties, loaded.duties)
        self._condition(loaded, reckoned)
        causes = self._causes(loaded.id, reckoned)
        self._cases(causes, loaded.cases, loaded.id, loaded.site_id, first=loaded.condition is None)

    def site(
        self,
        site_id: int,
        found: Sequence[Duty],
        stored: dict[str, Stored],
        open_cases: Sequence[OpenCase],
        first: bool,
    ) -> None:
        """Compares the duties of spares kept at a site."""
        self.holder(f"s{site_id}", None, site_id, found, stored)
        overdue = _overdue(Reckoned(tuple(found), Condition.IN_SERVICE, ()))
        causes = [Cause(f"s{site_id}/overdue", "overdue", "soon", self._what((), overdue))] if overdue else []
        self._cases(causes, open_cases, None, site_id, first=first)

    def holder(
        self, holder: str, unit_id: int | None, site_id: int, found: Sequence[Duty], stored: dict[str, Stored]
    ) -> None:
        """Compares the duties of one holder."""
        self.duties += len(found)
        matched = 0
        texts = self._texts
        for duty in found:
            because = texts.get(duty.because)
            if because is None:
                if len(texts) >= KEPT:
                    texts.clear()
                because = texts[duty.because] = because_text(duty.because)
            said = (*duty[:10], because)
            old = stored.get(duty.key)
            if old is None:
                self._new(holder, unit_id, site_id, said)
                continue
            matched += 1
            if said != old.said or old.site_id != site_id:
                self._changed(holder, unit_id, site_id, said, old)
        if matched != len(stored):
            kept = {duty.key for duty in found}
            for key, old in stored.items():
                if key not in kept:
                    self.gone_duties.append(old.id)
                    self._move(unit_id, site_id, key, old.said[2], _shown(old.said, _MOVING_AT), {})

    def _new(self, holder: str, unit_id: int | None, site_id: int, said: tuple[Any, ...]) -> None:
        row = dict(zip(_NAMES, said, strict=True))
        row |= {
            "holder": holder,
            "unit_id": unit_id,
            "site_id": site_id,
            "uid": self._uid(holder, said),
            "changed_at": self._now,
        }
        self.new_duties.append(row)
        self._move(unit_id, site_id, said[0], said[2], {}, _shown(said, _MOVING_AT))

    def _changed(self, holder: str, unit_id: int | None, site_id: int, said: tuple[Any, ...], old: Stored) -> None:
        row = {f"new_{name}": value for name, value in zip(_NAMES, said, strict=True)}
        row |= {"row_id": old.id, "new_revision": old.revision + 1, "new_changed_at": self._now, "new_site_id": site_id}
        if said[_PERIOD] != old.said[_PERIOD]:
            row |= {"new_uid": self._uid(holder, said), "new_sequence": 0}
        else:
            moved = old.site_id != site_id or any(said[index] != old.said[index] for index in _SEQUENCED_AT)
            row |= {"new_uid": old.uid, "new_sequence": old.sequence + (1 if moved else 0)}
        self.changed_duties.append(row)
        differing = tuple(index for index in _MOVING_AT if said[index] != old.said[index])
        if differing:
            self._move(unit_id, site_id, said[0], said[2], _shown(old.said, differing), _shown(said, differing))

    def _uid(self, holder: str, said: tuple[Any, ...]) -> str:
        return str(uuid.uuid5(self._namespace, f"{holder}|{said[0]}|{said[_PERIOD]}"))

    def _move(
        self, unit_id: int | None, site_id: int, key: str, subject: str, old: dict[str, Any], new: dict[str, Any]
    ) -> None:
        self.moves.append(
            {
                "at": self._now,
                "on": self._on,
                "unit_id": unit_id,
                "site_id": site_id,
                "key": key,
                "subject": subject,
                "old": _json(old),
                "new": _json(new),
            }
        )

    def _condition(self, loaded: Loaded, reckoned: Reckoned) -> None:
        condition, reasons = str(reckoned.condition), self._reasons(reckoned.reasons)
        if loaded.condition is None:
            self.new_conditions.append(
                {
                    "unit_id": loaded.id,
                    "condition": condition,
                    "reasons": reasons,
                    "since": self._on,
                    "reckoned_on": self._on,
                }
            )
            self._move(loaded.id, loaded.site_id, "condition", "condition", {}, {"condition": condition})
            return
        was, why = loaded.condition
        if was == condition and why == reasons:
            return
        self.changed_conditions.append(
            {
                "row_id": loaded.id,
                "new_condition": condition,
                "new_reasons": reasons,
                "moved": was != condition,
                "new_since": self._on,
            }
        )
        if was != condition:
            old, new = {"condition": was}, {"condition": condition}
            self._move(loaded.id, loaded.site_id, "condition", "condition", old, new)

    def _causes(self, unit_id: int, reckoned: Reckoned) -> list[Cause]:
        """At most one cause a unit: one not to be relied on hides its lesser duties.

        A withdrawn one raises none but by what it owes still: another in its place, a word to the register.
        """
        overdue = _overdue(reckoned)
        if reckoned.condition is Condition.WITHDRAWN:
            overdue = [duty for duty in overdue if duty.kind in OWED_WHEN_WITHDRAWN]
        if reckoned.condition is Condition.NOT_TO_BE_RELIED_ON:
            what = self._what(reckoned.reasons, overdue)
            return [Cause(f"u{unit_id}/not-to-be-relied-on", "not-to-be-relied-on", "urgent", what)]
        if overdue:
            return [Cause(f"u{unit_id}/overdue", "overdue", "soon", self._what((), overdue))]
        return []

    def _what(self, reasons: tuple[str, ...], overdue: Sequence[Duty]) -> str:
        key = (reasons, *[(duty.subject, duty.last_good_day, duty.because[0]) for duty in overdue])
        text = self._what_texts.get(key)
        if text is None:
            if len(self._what_texts) >= KEPT:
                self._what_texts.clear()
            said = [*map(_reason, reasons), *map(_matter, overdue)]
            text = self._what_texts[key] = _json(said)
        return text

    def _reasons(self, reasons: tuple[str, ...]) -> str:
        text = self._reason_texts.get(reasons)
        if text is None:
            if len(self._reason_texts) >= KEPT:
                self._reason_texts.clear()
            text = self._reason_texts[reasons] = _json(reasons)
        return text

    def _cases(
        self,
        causes: Sequence[Cause],
        open_cases: Sequence[OpenCase],
        unit_id: int | None,
        site_id: int,
        *,
        first: bool,
    ) -> None:
        if not causes and not open_cases:
            return
        known = {case.cause: case for case in open_cases}
        for cause in causes:
            case = known.pop(cause.cause, None)
            if case is None:
                self.opened.append(
                    {
                        **cause._asdict(),
                        "unit_id": unit_id,
                        "site_id": site_id,
                        "state": "open",
                        "opened_on": self._on,
                        "opened_at": self._now,
                        "found_at_import": first,
                    }
                )
            elif case.what != cause.what or case.site_id != site_id:
                self.reworded.append({"row_id": case.id, "new_what": cause.what, "new_site_id": site_id})
        self.closed += [case.id for case in known.values()]


class Cause(NamedTuple):
    """Something that needs a person now; one open case a cause."""

    cause: str
    kind: str
    severity: str
    what: str


def _overdue(reckoned: Reckoned) -> list[Duty]:
    """The overdue duties, worst first: the longest overdue."""
    found = [duty for duty in reckoned.duties if duty.standing is Standing.OVERDUE]
    if len(found) > 1:
        found.sort(key=lambda duty: (duty.last_good_day or date.max, duty.key))
    return found


def _reason(sentence: str) -> dict[str, Any]:
    return {"subject": "condition", "last_good_day": None, "reason": sentence, "rule": "", "force": "", "source": ""}


def _matter(duty: Duty) -> dict[str, Any]:
    winner = duty.because[0]
    return {
        "subject": duty.subject,
        "last_good_day": duty.last_good_day,
        "reason": winner.evidence,
        "rule": winner.title,
        "force": winner.force,
        "source": winner.source,
    }


def because_text(because: tuple[Because, ...]) -> str:
    """The reasons as they are stored: a JSON list, the rule that decides first."""
    return json.dumps([item._asdict() for item in because], ensure_ascii=False, default=_plain)


def _shown(said: tuple[Any, ...], indexes: Iterable[int]) -> dict[str, Any]:
    return {_NAMES[index]: said[index] for index in indexes}


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=_plain)


def _plain(value: Any) -> str:
    if isinstance(value, date | datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)
