"""Gravestones: what stays of log entries whose content was discarded, and how the chain still proves the rest.

A gravestone keeps its id, unit, times, kind, digest and hashes, and has lost readings, part, note and person. It
counts only where one later entry of the chain, of kind `discarded`, names it and carries a hash over the seals of all
that it names; each seal is a hash over what the gravestone still says. So nothing can be emptied, filled again or
altered without being found. The digest stays so that a file imported again does not bring the entry back.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

DISCARDED = "discarded"
PROOF = "proof"  # the reading that holds the hash over the seals
BLANK: dict[str, Any] = {"readings": "{}", "part": "{}", "note": "", "by_person": ""}


def seal(row: Any, discarded_at: datetime) -> str:
    """The hash over what a log row says once it is a gravestone."""
    said = [
        row.id,
        row.unit_id,
        _utc(row.at),
        _utc(row.written_at),
        row.entry,
        row.strikes,
        row.source,
        row.digest,
        row.prev_hash,
        row.hash,
        _utc(discarded_at),
    ]
    return _hash(json.dumps(said, ensure_ascii=False))


def readings_of(seals: dict[int, str], before: str) -> dict[str, str]:
    """What the entry that names these gravestones (id → seal) says. `before` is the day that was asked for."""
    return {"before": before, "entries": spans(seals), PROOF: _over(seals[entry] for entry in sorted(seals))}


def spans(ids: Iterable[int]) -> str:
    """Ids as `3-7, 9`."""
    found: list[list[int]] = []
    for entry in sorted(ids):
        if found and entry == found[-1][1] + 1:
            found[-1][1] = entry
        else:
            found.append([entry, entry])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in found)


class Graveyard:
    """Gravestones seen while the chain is read from its start, until an entry names them."""

    def __init__(self) -> None:
        self._unnamed: dict[int, tuple[str, datetime]] = {}

    def bury(self, row: Any) -> str:
        """Takes in a gravestone; says what is wrong with it by itself, or ""."""
        if any(getattr(row, name) != value for name, value in BLANK.items()):
            return "the entry is marked as discarded and still says something"
        if row.seal != seal(row, row.discarded_at):
            return "the gravestone of a discarded entry was changed"
        self._unnamed[row.id] = (row.seal, row.discarded_at)
        return ""

    def name(self, row: Any, readings: dict[str, str]) -> tuple[int, str] | None:
        """Checks what an entry of kind `discarded` names; gives the entry that is wrong and why, or None."""
        ids = _ids(readings.get("entries", ""))
        if not ids:
            return row.id, "the entry does not say which entries were discarded"
        seals = []
        for entry in ids:
            if entry not in self._unnamed:
                return entry, f"entry {row.id} says that the entry was discarded, and it was not, or was named before"
            found, discarded_at = self._unnamed.pop(entry)
            if discarded_at != row.written_at:
                return entry, f"the entry was not discarded when entry {row.id} says"
            seals.append(found)
        if _over(seals) != readings.get(PROOF):
            return ids[0], f"one of the gravestones that entry {row.id} names was changed: {readings['entries']}"
        return None

    def unnamed(self) -> int | None:
        """The first gravestone that no entry named."""
        return min(self._unnamed, default=None)


def _ids(text: str) -> list[int]:
    """The ids of `3-7, 9`, in order; none where the text is not written as `spans` writes it."""
    found: list[int] = []
    for part in text.split(", "):
        first, _, last = part.partition("-")
        if not (first.isdecimal() and (last or first).isdecimal()):
            return []
        found += range(int(first), int(last or first) + 1)
    return found if found and spans(found) == text else []


def _over(seals: Iterable[str]) -> str:
    return _hash("\n".join(seals))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _utc(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")
