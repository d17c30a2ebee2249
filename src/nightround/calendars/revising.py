"""Which revision of a component goes out: the one that its last bytes had while they would be the same, else the next.

Readers keep what they have unless SEQUENCE or DTSTAMP say that there is something newer (RFC 5546 §2.1.5), so both must
move with every change of the bytes and with nothing else. What an event says comes from many tables and from the
settings; only the bytes themselves tell whether any of it made a difference.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

_SAID = re.compile(rb"^(UID|DTSTAMP|SEQUENCE):(.*)\r$", re.MULTILINE)
_STAMP = "%Y%m%dT%H%M%SZ"
_SECOND = timedelta(seconds=1)


class Revision(NamedTuple):
    """What a component says of its own age: SEQUENCE, and the instant in UTC of DTSTAMP and LAST-MODIFIED."""

    sequence: int
    changed_at: datetime


class Before(NamedTuple):
    """A component as it was given last, and the present instant, at which a difference is noticed."""

    body: bytes
    now: datetime


def revised(make: Callable[[Revision], bytes], uid: str, own: Revision, before: Before | None) -> bytes:
    """The component's bytes. `make` gives them for a revision; `own` is that of what it is made from.

    1. What was never given, or under another UID, is of its own revision: the same data gives the same bytes.
    2. What would be the same in the revision it was given in is given again as it was.
    3. Else it is a later one, however its own stands.
    """
    given = None if before is None else given_in(before.body, uid)
    if before is None or given is None:
        return make(own)
    if make(given) == before.body:
        return before.body
    return make(after(given, own, before.now))


def after(given: Revision, own: Revision, now: datetime) -> Revision:
    """The revision that follows the one given: a higher number and a later second.

    The instant is that of what changed, where that is later; else the change was in something that keeps no time, and
    it is when the difference was noticed.
    """
    at = own.changed_at.replace(microsecond=0)
    if at <= given.changed_at:
        at = max(now.replace(microsecond=0), given.changed_at + _SECOND)
    return Revision(max(own.sequence, given.sequence + 1), at)


def given_in(body: bytes, uid: str) -> Revision | None:
    """The revision that a component's bytes say they are of; None where they are of another UID."""
    said = {name: value.decode() for name, value in _SAID.findall(body)}
    if said.get(b"UID") != uid:
        return None
    return Revision(int(said[b"SEQUENCE"]), datetime.strptime(said[b"DTSTAMP"], _STAMP).replace(tzinfo=UTC))
