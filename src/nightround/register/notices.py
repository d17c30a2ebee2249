"""Keeps safety notices: adds a version, gives those in force, and judges what a log entry says about one.

A higher version takes the place of the lower ones, which stay readable. Nothing is changed or taken out.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from sqlalchemy import Connection, func, insert, select

from ..errors import UserError
from ..reckoning.notices import Notice
from ..reckoning.readings import CORRECTED
from ..store import marks
from ..store.tables import notices
from .log import NewEntry
from .noticefile import parse_notice

_NEWEST = select(func.max(notices.c.id))
ABOUT_NOTICES = ("reported", CORRECTED)


class Version(NamedTuple):
    """One version of a notice as it was added; `file` is its text as it was given."""

    reference: str
    version: int
    added_at: datetime
    file: str


def newest(conn: Connection) -> int | None:
    """A number that rises with every notice added; None where there is none."""
    found: int | None = conn.execute(_NEWEST).scalar_one()
    return found


def versions(conn: Connection, reference: str | None = None) -> list[Version]:
    """Every version on record, by reference, the highest version first. Raises UserError for an unknown reference."""
    query = select(notices.c.reference, notices.c.version, notices.c.added_at, notices.c.file)
    if reference is not None:
        query = query.where(notices.c.reference == known_reference(conn, reference))
    rows = conn.execute(query.order_by(notices.c.reference, notices.c.version.desc()))
    return [Version(*row) for row in rows]


def current(conn: Connection) -> tuple[Notice, ...]:
    """The highest version of each notice, by reference. Raises UserError for one that can no longer be read."""
    highest: dict[str, Version] = {}
    for version in versions(conn):
        highest.setdefault(version.reference, version)
    return tuple(_read(version) for version in highest.values())


def add(conn: Connection, notice: Notice, file: str, now: datetime) -> bool:
    """Adds the notice; False where this version is on record already and says the same.

    Raises UserError where it says something else, where a higher version is on record, where the reference is on
    record in another spelling, or where a day on which it was published or received is still to come.
    """
    for key, day in (("published_on", notice.published_on), ("received_on", notice.received_on)):
        if day is not None and (day - now.date()).days > 1:  # the day after: it has begun somewhere
            raise UserError(f"notice {notice.reference}, key {key}: {day} is still to come; correct it")
    references = _references(conn)
    spelt = references.get(_level(notice.reference), notice.reference)
    if spelt != notice.reference:
        raise UserError(
            f"notice {notice.reference}, key reference: is on record as {spelt}; write it so, or choose another"
        )
    there = [version for version in versions(conn) if version.reference == notice.reference]
    for version in there:
        if version.version == notice.version and _read(version) == notice:
            return False
    if there and notice.version <= there[0].version:
        raise UserError(
            f"notice {notice.reference}, key version: version {there[0].version} is on record; what says something "
            f"else is a follow-up and needs version {there[0].version + 1}"
        )
    row = {"reference": notice.reference, "version": notice.version, "file": file, "added_at": now}
    notice_id = conn.execute(insert(notices).values(row).returning(notices.c.id)).scalar_one()
    marks.leave(conn, now, notices=[notice_id])
    return True


def known_reference(conn: Connection, reference: str) -> str:
    """The reference as it is on record, case and blanks aside. Raises UserError where it is not."""
    references = _references(conn)
    found = references.get(_level(reference))
    if found is None:
        raise UserError(f"notice {reference!r} is not on record{_meant(reference, list(references.values()))}")
    return found


def settled(conn: Connection, entry: NewEntry, *, known: bool) -> NewEntry:
    """The log entry with the reference of its notice as it is on record; `known`: a known person made it.

    Raises UserError for an entry about a notice that would be kept and count for nothing.
    """
    reference = entry.readings.get("notice")
    if reference is None:
        if entry.entry == CORRECTED:
            raise UserError("'corrected' needs to say after which notice: --reading notice=REFERENCE")
        if "stage" in entry.readings:
            raise UserError("the reading stage is about a notice; say which: --reading notice=REFERENCE")
        return entry
    if entry.entry not in ABOUT_NOTICES:
        raise UserError(f"'{entry.entry}' says nothing about a notice; log 'corrected', or 'reported' with a stage")
    if entry.entry == CORRECTED and "stage" in entry.readings:
        raise UserError("'corrected' is the last there is to say about a notice; leave the stage out")
    if not known:
        raise UserError(f"'{entry.entry}' about a notice counts only from a known person; say who: --by PERSON")
    return replace(entry, readings={**entry.readings, "notice": known_reference(conn, reference)})


@lru_cache(maxsize=256)
def _read(version: Version) -> Notice:
    return parse_notice(version.file, f"notice {version.reference}, version {version.version} as it is on record")


def _references(conn: Connection) -> dict[str, str]:
    query = select(notices.c.reference).distinct().order_by(notices.c.reference)
    return {_level(reference): reference for reference in conn.execute(query).scalars()}


def _level(reference: str) -> str:
    return "".join(reference.casefold().split())


def _meant(reference: str, known: Sequence[str]) -> str:
    if not known:
        return "; there is none yet: nightround notice add FILE.toml"
    close = difflib.get_close_matches(reference, known, n=1)
    return f"; did you mean {close[0]}?" if close else f"; on record are: {', '.join(known[:20])}"
