"""What a round found different: pure comparison of duties and conditions with what the last round left.

Gives rows to write; writes nothing.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from ..reckoning.owed import Because, Duty, Reckoned, Standing
from . import events
from .causes import CLOSED_SITE, Cause, Causes, Limits, spoken, weight
from .loading import STORED, Loaded, OpenCase, Stored

_NAMES = tuple(column.name for column in STORED)
# What makes a move: a date or a standing. A reason worded anew is written, but is no move.
_MOVING = ("standing", "opens", "order_by", "last_good_day", "deadline")
_MOVING_AT = tuple(_NAMES.index(name) for name in _MOVING)
_SEQUENCED_AT = tuple(_NAMES.index(name) for name in ("standing", "last_good_day", "opens", "deadline"))
_PERIOD = _NAMES.index("period")
_STANDING = _NAMES.index("standing")
# Texts of reasons kept at most: many duties have the same.
KEPT = 20_000


class Changes:
    """The rows that one batch writes, gathered unit by unit.

    `limits` say what is long so; `closed` are the sites that are closed on the day, with their last closed day where
    it is known; `texts` keeps the texts of reasons beyond this round.
    """

    def __init__(
        self,
        namespace: str,
        on: date,
        now: datetime,
        limits: Limits | None = None,
        closed: Mapping[int, date | None] | None = None,
        texts: dict[tuple[Because, ...], str] | None = None,
    ) -> None:
        self._namespace = uuid.UUID(namespace)
        self._on = on
        self._now = now
        self._causes = Causes(on, limits or Limits())
        self._closed = closed or {}
        self._texts = {} if texts is None else texts
        self._reason_texts: dict[tuple[str, ...], str] = {(): "[]"}
        self._starts: Mapping[str, date] = {}
        self._last_on: date | None = None
        self.clear()

    def after(self, last_on: date | None, starts: Mapping[str, date]) -> None:
        """Says of which day the zone's last round was, and on which day each rule begins.

        What a rule made owed in between has been so since its first day, however many nights did not run.
        """
        self._last_on, self._starts = last_on, starts

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
        self.events: list[dict[str, Any]] = []  # of cases that were there before
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
        causes = self._causes.of_unit(
            reckoned, self._since(loaded.duties, reckoned.duties), loaded.site_id in self._closed
        )
        if causes or loaded.cases:
            holder = f"u{loaded.id}"
            self._cases(holder, causes, loaded.cases, loaded.id, loaded.site_id, first=loaded.condition is None)

    def site(
        self,
        site_id: int,
        found: Sequence[Duty],
        stored: dict[str, Stored],
        open_cases: Sequence[OpenCase],
        first: bool,
    ) -> None:
        """Compares a site's own duties: the spares kept there for no one unit, and whatever else it owes."""
        self.holder(f"s{site_id}", None, site_id, found, stored)
        causes = self._causes.of_site(found, self._since(stored, found), site_id in self._closed)
        self._cases(f"s{site_id}", causes, open_cases, None, site_id, first=first)

    def _since(self, stored: Mapping[str, Stored], found: Sequence[Duty]) -> Callable[[str], date | None]:
        def since(key: str) -> date | None:
            old = stored.get(key)
            if old is not None:
                return old.not_recorded_since
            return next((self._since_when(duty) for duty in found if duty.key == key), None) if stored else None

        return since

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
                self._new(holder, unit_id, site_id, said, self._since_when(duty) if stored else self._on)
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

    def _since_when(self, duty: Duty) -> date:
        """The day on which a duty that is new to a holder who is not began: this one, or one that no round saw."""
        if duty.standing is not Standing.NOT_RECORDED or not all(item.rule in self._starts for item in duty.because):
            return self._on
        began = min((self._starts[item.rule] for item in duty.because), default=self._on)
        if self._last_on is not None:
            began = max(began, self._last_on + timedelta(days=1))
        return min(began, self._on)

    def _new(self, holder: str, unit_id: int | None, site_id: int, said: tuple[Any, ...], since: date) -> None:
        row = dict(zip(_NAMES, said, strict=True))
        row |= {
            "holder": holder,
            "unit_id": unit_id,
            "site_id": site_id,
            "uid": self._uid(holder, said),
            "changed_at": self._now,
            "not_recorded_since": since if said[_STANDING] is Standing.NOT_RECORDED else None,
        }
        self.new_duties.append(row)
        self._move(unit_id, site_id, said[0], said[2], {}, _shown(said, _MOVING_AT))

    def _changed(self, holder: str, unit_id: int | None, site_id: int, said: tuple[Any, ...], old: Stored) -> None:
        row = {f"new_{name}": value for name, value in zip(_NAMES, said, strict=True)}
        row |= {"row_id": old.id, "new_revision": old.revision + 1, "new_changed_at": self._now, "new_site_id": site_id}
        # The same day for as long as it stands so, however often its reasons are worded anew.
        unknown = said[_STANDING] is Standing.NOT_RECORDED
        row["new_not_recorded_since"] = (old.not_recorded_since or self._on) if unknown else None
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

    def _reasons(self, reasons: tuple[str, ...]) -> str:
        text = self._reason_texts.get(reasons)
        if text is None:
            if len(self._reason_texts) >= KEPT:
                self._reason_texts.clear()
            text = self._reason_texts[reasons] = _json(reasons)
        return text

    def _cases(
        self,
        holder: str,
        causes: Sequence[Cause],
        open_cases: Sequence[OpenCase],
        unit_id: int | None,
        site_id: int,
        *,
        first: bool,
    ) -> None:
        known = {case.cause: case for case in open_cases}
        for cause in causes:
            name = f"{holder}/{cause.tail}"
            case = known.pop(name, None)
            if case is not None:
                self._goes_on(case, cause, site_id)
            else:
                # What can wait is opened too, and told to nobody meanwhile: whether it came before what holds it back
                # or after, and how many nights saw it come, makes no difference.
                self.opened.append(
                    {
                        "cause": name,
                        "kind": cause.kind,
                        "severity": cause.severity,
                        "shared": cause.shared,
                        "what": cause.what,
                        "unit_id": unit_id,
                        "site_id": site_id,
                        "paused": cause.held,
                        "paused_until": self._until(cause.held, site_id),
                        "state": "open",
                        "opened_on": self._on,
                        "opened_at": self._now,
                        "found_at_import": first,
                    }
                )
        for case in known.values():
            self.closed.append(case.id)
            self._event(case.id, events.CLOSED)

    def _goes_on(self, case: OpenCase, cause: Cause, site_id: int) -> None:
        """A case whose cause remains: written anew where anything about it is different."""
        until = self._until(cause.held, site_id)
        now = (cause.kind, cause.severity, cause.shared, cause.what, cause.held, until, site_id)
        if now == case[2:]:
            return
        self.reworded.append(dict(zip(_CASE_FIELDS, now, strict=True)) | {"row_id": case.id})
        if site_id != case.site_id:
            self._event(case.id, events.MOVED)
        if cause.held != case.paused:
            self._event(case.id, events.PAUSED if cause.held else events.RESUMED, cause.held)
        grave, before = weight(cause.kind, cause.severity), weight(case.kind, case.severity)
        if grave != before:
            what = events.RAISED if grave < before else events.EASED
            self._event(case.id, what, spoken(cause.what))
        elif cause.what != case.what:
            self._event(case.id, events.REWORDED, spoken(cause.what))

    def _until(self, held: str, site_id: int) -> date | None:
        """The last day for which a case is held back, where that is known."""
        return self._closed.get(site_id) if held == CLOSED_SITE else None

    def _event(self, case_id: int, what: str, said: str = "") -> None:
        self.events.append(events.event(case_id, self._now, what, said=said))


_CASE_FIELDS = ("new_kind", "new_severity", "new_shared", "new_what", "new_paused", "new_paused_until", "new_site_id")


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
