"""The log: what happened to a unit, append-only and hash-chained over the whole fleet.

Nothing is edited or deleted. A correction is an entry that strikes an earlier one. Each entry carries the hash of
the one before it, so that a changed past is found by `verify_chain`. What `register.discarding` empties stays in its
place as a gravestone, which a later entry names.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, String, insert, select, type_coerce, update

from ..errors import UserError
from ..store.tables import fleet, log
from .gravestones import DISCARDED, Graveyard

ENTRIES = (
    "check",
    "ordered",
    "fitted",
    "removed",
    "used",
    "fault",
    "withdrawn",
    "returned",
    "moved",
    "reported",
    "downloaded",
    "corrected",
    "struck",
)

# A phone's clock may be a little ahead of ours; anything later is a mistake.
CLOCK_SLACK = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class NewEntry:
    """One thing that happened. `at` is aware; `by_person` is a person's code, or "" for an unknown passer-by."""

    unit_id: int
    at: datetime
    entry: str
    by_person: str = ""
    readings: dict[str, str] = field(default_factory=dict)
    part: dict[str, str] = field(default_factory=dict)
    note: str = ""
    strikes: int | None = None
    source: str = ""


def append(conn: Connection, entry: NewEntry, now: datetime) -> int:
    """Writes one entry and gives its id; the id of the same entry where it is already there.

    Raises UserError for a kind of entry we do not know and for one in the future.
    """
    return append_many(conn, [entry], now)[0]


def append_many(conn: Connection, entries: Sequence[NewEntry], now: datetime) -> list[int]:
    """Writes entries in order, in the caller's unit of work; an entry with the same content is not written twice.

    The fleet's row is locked first, so that two writers can never fork the chain.
    """
    for entry in entries:
        _refuse(entry, now)
    return _chain(conn, entries, now)


def append_discards(conn: Connection, entries: Sequence[NewEntry], now: datetime) -> list[int]:
    """Writes entries of kind `discarded`, which only `register.discarding` makes; nobody can log one by hand."""
    if any(entry.entry != DISCARDED or entry.at != now for entry in entries):
        raise ValueError("only what is discarded now is written here")
    return _chain(conn, entries, now)


def _chain(conn: Connection, entries: Sequence[NewEntry], now: datetime) -> list[int]:
    count, head = conn.execute(select(fleet.c.log_count, fleet.c.log_head).with_for_update()).one()
    contents = [_content(entry) for entry in entries]
    digests = [_digest(content) for content in contents]
    known = _already(conn, digests)
    ids: list[int] = []
    rows: list[dict[str, Any]] = []
    for entry, content, digest in zip(entries, contents, digests, strict=True):
        if digest in known:
            ids.append(known[digest])
            continue
        count += 1
        row = _row(count, entry, now, content, digest, head)
        head = row["hash"]
        rows.append(row)
        known[digest] = count
        ids.append(count)
    for start in range(0, len(rows), 5000):
        conn.execute(insert(log), rows[start : start + 5000])
    if rows:
        conn.execute(update(fleet).values(log_count=count, log_head=head))
    return ids


def content_digest(entry: NewEntry) -> str:
    """SHA-256 of what the entry says, without when it was written: the same entry gives the same digest."""
    return _digest(_content(entry))


def _digest(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Broken:
    """The first entry at which the chain does not hold."""

    entry_id: int
    why: str


def verify_chain(conn: Connection) -> Broken | None:
    """Reads the whole chain and names the first entry that was changed, left out or put in; None where it holds.

    An entry without its content is good only as a gravestone (`register.gravestones`) that a later entry names.
    """
    head = ""
    expected = 1
    graves = Graveyard()
    for row in _all(conn):
        if isinstance(row, int):
            return Broken(row, "the entry cannot be read")
        if row.id != expected:
            return Broken(expected, "the entry is missing")
        if not _is_as_written(row):
            return Broken(row.id, "the entry was changed after it was written")
        if row.prev_hash != head:
            return Broken(row.id, "the entry does not follow the one before it")
        if row.discarded_at is not None:
            if wrong := graves.bury(row):
                return Broken(row.id, wrong)
        else:
            entry = _read(row)
            if entry is None or not _is_whole(row, entry, head):
                return Broken(row.id, "the entry was changed after it was written")
            if row.entry == DISCARDED and (named := graves.name(row, entry.readings)):
                return Broken(*named)
        head = row.hash
        expected += 1
    unnamed = graves.unnamed()
    if unnamed is not None:
        return Broken(unnamed, "the entry was emptied, and no later entry says that it was discarded")
    count, stored = conn.execute(select(fleet.c.log_count, fleet.c.log_head)).one()
    if count != expected - 1 or stored != head:
        return Broken(expected, "entries at the end are missing")
    return None


def _read(row: Any) -> NewEntry | None:
    """The entry of a row; None where what it holds is not written as the log writes it."""
    try:
        readings, part = json.loads(row.readings), json.loads(row.part)
    except ValueError:
        return None
    if (_json(readings), _json(part)) != (row.readings, row.part):
        return None
    return NewEntry(row.unit_id, row.at, row.entry, row.by_person, readings, part, row.note, row.strikes, row.source)


def _is_whole(row: Any, entry: NewEntry, head: str) -> bool:
    content = _content(entry)
    linked = _link(row.id, head, content, row.written_at, row.source)
    return bool(row.hash == linked and row.digest == _digest(content) and row.seal == "")


def _refuse(entry: NewEntry, now: datetime) -> None:
    if entry.entry not in ENTRIES:
        raise UserError(f"log entry {entry.entry!r} is not known; use one of {', '.join(ENTRIES)}")
    if entry.at.tzinfo is None:
        raise ValueError("the time of a log entry needs a zone")
    if entry.at > now + CLOCK_SLACK:
        raise UserError(
            f"log entry {entry.entry!r} at {entry.at.isoformat()} lies in the future; give the time it happened"
        )


def _already(conn: Connection, digests: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for start in range(0, len(digests), 500):
        query = select(log.c.digest, log.c.id).where(log.c.digest.in_(digests[start : start + 500]))
        found.update((digest, entry_id) for digest, entry_id in conn.execute(query))
    return found


def _row(entry_id: int, entry: NewEntry, now: datetime, content: str, digest: str, head: str) -> dict[str, Any]:
    return {
        "id": entry_id,
        "unit_id": entry.unit_id,
        "at": entry.at,
        "written_at": now,
        "entry": entry.entry,
        "by_person": entry.by_person,
        "readings": _json(entry.readings),
        "part": _json(entry.part),
        "note": entry.note,
        "strikes": entry.strikes,
        "source": entry.source,
        "digest": digest,
        "prev_hash": head,
        "hash": _link(entry_id, head, content, now, entry.source),
    }


def _content(entry: NewEntry) -> str:
    fields: Iterable[Any] = (
        entry.unit_id,
        _utc(entry.at),
        entry.entry,
        entry.by_person,
        entry.readings,
        entry.part,
        entry.note,
        entry.strikes,
    )
    return _json(list(fields))


def _link(entry_id: int, head: str, content: str, written_at: datetime, source: str) -> str:
    linked = f"{entry_id}\n{head}\n{_utc(written_at)}\n{_json(source)}\n{content}"
    return hashlib.sha256(linked.encode()).hexdigest()


def _utc(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


# The instants as they are stored too: SQLite keeps text, of which several spellings would read as the same instant.
_STORED = {
    name: type_coerce(log.c[name], String).label(f"stored_{name}") for name in ("at", "written_at", "discarded_at")
}
_ROWS = select(log, *_STORED.values())


def _is_as_written(row: Any) -> bool:
    """Whether the instants are spelt as the log writes them."""
    for name in _STORED:
        stored, read = getattr(row, f"stored_{name}"), getattr(row, name)
        if isinstance(stored, str) and stored != read.replace(tzinfo=None).isoformat(" ", "microseconds"):
            return False
    return True


def _all(conn: Connection) -> Iterator[Any]:
    """Every row in order; the bare id of the first that cannot be read."""
    last = 0
    while True:
        try:
            rows = conn.execute(_ROWS.where(log.c.id > last).order_by(log.c.id).limit(2000)).all()
        except (ValueError, TypeError):
            yield from _one_by_one(conn, last)
            return
        if not rows:
            return
        yield from rows
        last = rows[-1].id


def _one_by_one(conn: Connection, last: int) -> Iterator[Any]:
    for entry_id in conn.execute(select(log.c.id).where(log.c.id > last).order_by(log.c.id)).scalars().all():
        try:
            yield conn.execute(_ROWS.where(log.c.id == entry_id)).one()
        except (ValueError, TypeError):
            yield entry_id
            return
