"""The feed: the duties of a person's sites, of one site or of the fleet, as the bytes of one iCalendar file.

The same data gives the same bytes, in every process and on every node. Only what changed is made anew, and what comes
out different is a later revision of what was given before.
"""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import icalendar
from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from .. import __version__
from ..bootstrap import Program
from ..settings import Settings
from ..store.database import Store
from . import kept, sentinel
from .events import octets, render
from .heading import Counts, heading, said
from .kept import Stamped, State
from .keys import Feed
from .reading import EVENTS, TASKS, Due, Found, find, whole
from .revising import Before, Revision, revised
from .scope import Scope, last_changed, scope_of

logger = logging.getLogger("nightround.calendars")

KINDS = (EVENTS, TASKS)
_TRIED = ""  # the stamp of what could not be shown: it never holds, so that it is tried again at the next look
# Raise it whenever the same duty is to give other bytes than before.
FORM = 2


@dataclass(frozen=True, slots=True)
class Built:
    """A feed's bytes and their SHA-256 in hexadecimal. `version` is the fleet's version that they show."""

    body: bytes
    etag: str
    version: int
    counts: Counts


class _Read(NamedTuple):
    """All that one feed is made from, read in one moment."""

    version: int
    scope: Scope
    found: Found
    due: dict[int, Due]
    heard: sentinel.Heard
    sentinel_uid: str
    sequence: int
    changed_at: datetime
    stuck: str  # what the sentinel says of letters that cannot be sent, or ""
    given: bytes | None  # the sentinel as it was given last


def made_with(settings: Settings) -> str:
    """A digest of everything besides the database that a feed's bytes depend on."""
    web, calendars = settings.web, settings.calendars
    parts = [FORM, __version__, icalendar.__version__, web.base_url, settings.fleet.name]
    parts += [calendars.refresh_hours, calendars.color]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def standing(conn: Connection, settings: Settings, feed: Feed, kind: str) -> State | None:
    """What was last served of the feed, if it would still be the same; reads no event."""
    return kept.state(conn, feed, kind, made_with(settings))


def build(program: Program, feed: Feed, kind: str = EVENTS, source: str = "") -> Built:
    """The feed as it is now. `source` is its own address for whoever holds the key, or "" where nobody may learn it.

    1. Reads everything in one moment; of duties whose bytes are kept and still hold, nothing but those.
    2. Makes the others, each alone: one that cannot be shown points to its page and spoils nothing else.
    3. Keeps what was made; gives what another has kept meanwhile instead of it. If the database is busy it is only
       made again next time.
    """
    settings, now = program.settings, program.clock()
    digest = made_with(settings)
    with program.store.read() as conn:
        read = _read(conn, settings, feed, kind, digest)
    fresh: list[Stamped] = []
    bodies: dict[int, bytes] = {}
    set_aside = 0
    known = read.found.kept
    for _, _, _, _, duty_id, stamp in read.found.rows:
        had = known.get(duty_id)
        if had is not None and had[1] == stamp:
            bodies[duty_id] = had[2]
            continue
        before = None if had is None else had[2]
        body, is_whole = render(read.due[duty_id], kind, settings, None if before is None else Before(before, now))
        bodies[duty_id] = body
        if not is_whole:
            set_aside += 1
            stamp = _TRIED
        if had is None or (had[1], before) != (stamp, body):
            fresh.append(Stamped(duty_id, stamp, body, before))
    if fresh:
        bodies |= _keep_events(program.store, kind, fresh)
    found = read.found
    counts = Counts(len(bodies), found.not_recorded, found.withdrawn, found.private, set_aside)
    lines = said(kind, counts)
    head, end = heading(kind, settings, read.scope, lines, source)
    watch = _sentinel(program, feed, kind, read, lines, now)
    body = b"".join([head, *bodies.values(), watch, end])
    return Built(body, hashlib.sha256(body).hexdigest(), read.version, counts)


def remember(program: Program, feed: Feed, kind: str, built: Built) -> State:
    """Notes what is about to be served, so that the next look at an unchanged feed reads no event."""
    now = program.clock()
    digest = made_with(program.settings)
    try:
        return kept.keep_state(program.store, feed, kind, digest, built.version, built.etag, now)
    except OperationalError:
        logger.warning("feed state not kept, the database is busy", extra={"feed": feed.id})
        return State(built.etag, kept.whole_second(now))


def _read(conn: Connection, settings: Settings, feed: Feed, kind: str, digest: str) -> _Read:
    scope = scope_of(conn, settings, feed)
    found = find(conn, scope, kind, digest)
    heard = sentinel.oldest(conn)
    changed, stuck = last_changed(conn, scope), sentinel.stuck(conn)
    return _Read(
        kept.version(conn),
        scope,
        found,
        whole(conn, found.stale()),
        heard,
        sentinel.uid_of(conn, feed.uid),
        sentinel.sequence(conn, heard),
        max(at for at in (heard.at, changed, stuck.at) if at is not None),
        stuck.said,
        kept.sentinel_of(conn, feed, kind),
    )


def _sentinel(program: Program, feed: Feed, kind: str, read: _Read, lines: list[str], now: datetime) -> bytes:
    """The bytes of the feed's own entry, kept for the next look."""
    uid, page = read.sentinel_uid, program.settings.web.base_url.rstrip("/") + "/"

    def make(of: Revision) -> bytes:
        return octets(sentinel.sentinel(kind, read.heard, uid, of.sequence, of.changed_at, lines, page, read.stuck))

    before = None if read.given is None else Before(read.given, now)
    body = revised(make, uid, Revision(read.sequence, read.changed_at), before)
    if body == read.given:
        return body
    try:
        return kept.keep_sentinel(program.store, feed, kind, body, read.given)
    except OperationalError:
        logger.warning("sentinel not kept, the database is busy", extra={"feed": feed.id})
        return body


def _keep_events(store: Store, kind: str, fresh: Sequence[Stamped]) -> dict[int, bytes]:
    try:
        return kept.keep_events(store, kind, fresh)
    except OperationalError:
        logger.warning("events not kept, the database is busy", extra={"events": len(fresh)})
        return {}
