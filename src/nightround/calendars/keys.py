"""Calendar keys: the secret in a feed's address, one for each subscriber, withdrawn one by one.

Only the SHA-256 of a key is stored. The key is given out once, when it is made, and is never kept or logged.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import uuid
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, insert, select, update

from ..errors import UserError
from ..register.leaving import gone
from ..settings import Settings
from ..store.tables import feeds, people, sites

KEY_BYTES = 24  # 192 bits of randomness, 32 characters in the address


class Feed(NamedTuple):
    """A feed that somebody may subscribe to. `uid` is the calendar's own UID; `scope` is person, site or fleet."""

    id: int
    scope: str
    person_id: int | None
    site_id: int | None
    uid: str
    created_at: datetime
    withdrawn_at: datetime | None


class Listed(NamedTuple):
    """A feed for a list: `of` is the person's or site's code, "" for the fleet."""

    feed: Feed
    of: str
    name: str


_FEED = (
    feeds.c.id,
    feeds.c.scope,
    feeds.c.person_id,
    feeds.c.site_id,
    feeds.c.uid,
    feeds.c.created_at,
    feeds.c.withdrawn_at,
)


def add(
    conn: Connection, now: datetime, *, person_id: int | None = None, site_id: int | None = None
) -> tuple[Feed, str]:
    """Makes a feed for a person, a site or (neither named) the fleet. Gives it with its key, which is not kept."""
    if person_id is not None and site_id is not None:
        raise ValueError("a feed is for a person or for a site, not for both")
    scope = "person" if person_id is not None else "site" if site_id is not None else "fleet"
    key = secrets.token_urlsafe(KEY_BYTES)
    row = {
        "key_hash": _digest(key),
        "scope": scope,
        "person_id": person_id,
        "site_id": site_id,
        "uid": str(uuid.uuid4()),
        "created_at": now,
    }
    made = conn.execute(insert(feeds).values(row).returning(*_FEED)).one()
    return Feed(*made), key


def find(conn: Connection, key: str) -> Feed | None:
    """The feed that the key opens; None where no feed has it, or it was withdrawn.

    The database is asked for the key's SHA-256, which says nothing about the key; the hashes are then compared in
    constant time. A withdrawn key takes the same way as one that never was.
    """
    asked = _digest(key)
    row = conn.execute(select(feeds.c.key_hash, *_FEED).where(feeds.c.key_hash == asked)).first()
    known, feed = (row[0], Feed(*row[1:])) if row is not None else ("0" * 64, None)
    same = hmac.compare_digest(asked, known)
    return feed if same and feed is not None and feed.withdrawn_at is None else None


def find_for(conn: Connection, settings: Settings, key: str, now: datetime) -> Feed | None:
    """The same at an instant: the feed of a person who has left by then is opened by no key."""
    feed = find(conn, key)
    if feed is None or feed.person_id is None:
        return feed
    return None if gone(conn, feed.person_id, settings.fleet.time_zone, now) else feed


def get(conn: Connection, feed_id: int) -> Feed:
    """The feed of that number, withdrawn or not. Raises UserError where there is none."""
    row = conn.execute(select(*_FEED).where(feeds.c.id == feed_id)).first()
    if row is None:
        raise UserError(f"there is no calendar {feed_id}; nightround calendar list shows those there are")
    return Feed(*row)


def listed(conn: Connection) -> list[Listed]:
    """Every feed there ever was, in the order in which they were made."""
    query: Select[Any] = (
        select(*_FEED, people.c.person, people.c.name, sites.c.site, sites.c.name)
        .outerjoin(people, people.c.id == feeds.c.person_id)
        .outerjoin(sites, sites.c.id == feeds.c.site_id)
        .order_by(feeds.c.id)
    )
    width = len(_FEED)
    found = []
    for row in conn.execute(query):
        person, person_name, site, site_name = row[width:]
        found.append(Listed(Feed(*row[:width]), person or site or "", person_name or site_name or ""))
    return found


def withdraw(conn: Connection, feed_id: int, now: datetime) -> datetime:
    """Withdraws a feed for good and gives the instant since when; a second time changes nothing.

    Raises UserError where there is no such feed.
    """
    feed = get(conn, feed_id)
    if feed.withdrawn_at is not None:
        return feed.withdrawn_at
    conn.execute(update(feeds).where(feeds.c.id == feed_id).values(withdrawn_at=now))
    return now


def address(settings: Settings, key: str) -> str:
    """Where the holder of the key fetches the feed."""
    return f"{settings.web.base_url.rstrip('/')}/calendar/{key}.ics"


def person_id(conn: Connection, code: str) -> int:
    """The number of the person with that code. Raises UserError where there is none."""
    found: int | None = conn.execute(select(people.c.id).where(people.c.person == code)).scalar_one_or_none()
    if found is None:
        raise UserError(f"--person: no person {code!r} in the register; give the code of the column 'person'")
    return found


def site_id(conn: Connection, code: str) -> int:
    """The number of the site with that code. Raises UserError where there is none."""
    found: int | None = conn.execute(select(sites.c.id).where(sites.c.site == code)).scalar_one_or_none()
    if found is None:
        raise UserError(f"--site: no site {code!r} in the register; give the code of the column 'site'")
    return found


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()
