"""What is kept between two looks at a feed: each component's bytes as they were given last, and what was last served.

It never holds what a feed does not show, and keeping fails without harm to the answer. Where it is lost the same is
made again; only that a component was given in a later revision is then forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, LargeBinary, bindparam, select
from sqlalchemy.dialects import postgresql, sqlite

from ..store.database import Store
from ..store.tables import duties, events, feed_states, fleet, sentinels
from .keys import Feed

DATE_LAG = timedelta(seconds=1)
_AT_ONCE = 500  # rows a transaction: the round waits for no longer than that


class State(NamedTuple):
    """What was last served of a feed in one kind. `etag` is the SHA-256 of the bytes as they are without coding."""

    etag: str
    last_modified: datetime


class Stamped(NamedTuple):
    """The bytes of one duty's component and the stamp of what they were made from.

    `before` is what they follow: what was kept of the duty when they were made, None where nothing was.
    """

    duty_id: int
    stamp: str
    body: bytes
    before: bytes | None


def whole_second(now: datetime) -> datetime:
    """The latest time that may be told as that of the last change: before the answer's Date (RFC 9110 §8.8.2.1)."""
    return now.replace(microsecond=0) - DATE_LAG


def version(conn: Connection) -> int:
    """The fleet's version: it rises with every change that a feed could show."""
    return int(conn.execute(select(fleet.c.version)).scalar_one())


def state(conn: Connection, feed: Feed, kind: str, made_with: str) -> State | None:
    """What was last served, if nothing that it was made from has changed since; reads no event."""
    row = conn.execute(
        select(feed_states.c.etag, feed_states.c.last_modified)
        .join_from(feed_states, fleet, fleet.c.version == feed_states.c.version)
        .where(feed_states.c.feed_id == feed.id, feed_states.c.kind == kind, feed_states.c.made_with == made_with)
    ).first()
    return None if row is None else State(*row)


def keep_state(store: Store, feed: Feed, kind: str, made_with: str, built_at: int, etag: str, now: datetime) -> State:
    """Remembers what is about to be served and says since when it has been so, to the second.

    Different bytes always get a later time, also within one second and where the clock was set back; otherwise a
    reader that compares only times would never see the second change.
    """
    key = {"feed_id": feed.id, "kind": kind}
    with store.write() as conn:
        row = conn.execute(
            select(feed_states.c.etag, feed_states.c.last_modified, feed_states.c.version).where(
                feed_states.c.feed_id == feed.id, feed_states.c.kind == kind
            )
        ).first()
        since = whole_second(now)
        if row is not None:
            since = row.last_modified if row.etag == etag else max(since, row.last_modified + timedelta(seconds=1))
        # A slower answer to an older state must not replace a newer one.
        if row is None or row.version <= built_at:
            values = {"version": built_at, "made_with": made_with, "etag": etag, "last_modified": since}
            statement = _insert(store, feed_states).values(**key, **values)
            conn.execute(statement.on_conflict_do_update(index_elements=list(key), set_=values))
    return State(etag, since)


def keep_events(store: Store, kind: str, made: Sequence[Stamped]) -> dict[int, bytes]:
    """Keeps the bytes of components that were made anew, for duties that are still there.

    Of two that follow the same bytes at the same time the first stands. Gives by their duties the bytes that stand in
    the place of ours.
    """
    instead: dict[int, bytes] = {}
    for start in range(0, len(made), _AT_ONCE):
        by_id = {row.duty_id: row for row in made[start : start + _AT_ONCE]}
        with store.write() as conn:
            # Rows that a round holds just now are passed over, so that neither waits for the other.
            there = conn.execute(
                select(duties.c.id)
                .where(duties.c.id.in_(by_id))
                .order_by(duties.c.id)
                .with_for_update(key_share=True, skip_locked=True)
            ).scalars()
            rows = [
                {
                    "duty_id": duty_id,
                    "kind": kind,
                    "stamp": by_id[duty_id].stamp,
                    "body": by_id[duty_id].body,
                    "before": by_id[duty_id].before,
                }
                for duty_id in there
            ]
            if not rows:
                continue
            statement = _insert(store, events)
            new = statement.excluded
            conn.execute(
                statement.on_conflict_do_update(
                    index_elements=["duty_id", "kind"],
                    set_={"stamp": new.stamp, "body": new.body},
                    where=events.c.body == bindparam("before", type_=LargeBinary),
                ),
                rows,
            )
            follow = [row["duty_id"] for row in rows if row["before"] is not None]
            standing = conn.execute(
                select(events.c.duty_id, events.c.body).where(events.c.kind == kind, events.c.duty_id.in_(follow))
            )
            instead.update((duty, body) for duty, body in standing if body != by_id[duty].body)
    return instead


def sentinel_of(conn: Connection, feed: Feed, kind: str) -> bytes | None:
    """The feed's sentinel as it was given last."""
    query = select(sentinels.c.body).where(sentinels.c.feed_id == feed.id, sentinels.c.kind == kind)
    return conn.execute(query).scalar_one_or_none()


def keep_sentinel(store: Store, feed: Feed, kind: str, body: bytes, before: bytes | None) -> bytes:
    """Keeps the feed's sentinel, which follows `before`; gives the one that stands: another's, if that was first."""
    key = {"feed_id": feed.id, "kind": kind}
    with store.write() as conn:
        statement = _insert(store, sentinels).values(**key, body=body)
        conn.execute(
            statement.on_conflict_do_update(
                index_elements=list(key), set_={"body": body}, where=sentinels.c.body == before
            )
        )
        return sentinel_of(conn, feed, kind) or body


def _insert(store: Store, table: Any) -> Any:
    return postgresql.insert(table) if store.dialect == "postgresql" else sqlite.insert(table)
