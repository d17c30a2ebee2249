"""A feed of two thousand events: made from nothing, after one change, and unchanged.

Floor: the same events with the same values as `icalendar` objects in one calendar, the values read and worded already.
Ours reads them from the database, words them, makes them, keeps each one's bytes and hashes the whole.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from icalendar import Calendar, Event
from sqlalchemy import delete, func, select, update

from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars import keys
from nightround.calendars.reading import EVENTS
from nightround.rounds.tonight import run_round
from nightround.settings import load as load_settings
from nightround.store.database import open_store, raise_version
from nightround.store.schema import migrate
from nightround.store.tables import duties, events

from . import fleet
from .measure import by_turns, peak_rss_mb, timed

ZONE = "America/Los_Angeles"


def run(units: int = 334) -> dict[str, Any]:
    """Seconds for a cold feed and for its floor; shares of the cold time after one change and when nothing changed."""
    with tempfile.TemporaryDirectory() as folder:
        program, feed, _ = furnish(Path(folder), units)
        body = feeds.build(program, feed).body
        values = _values(body)

        compared = by_turns(_emptied(program, lambda: _look(program, feed)), lambda: _floor(values), 5)
        peak = peak_rss_mb()
        changed = min(timed(_one_changed(program, feed, number)) for number in range(1, 21))
        _look(program, feed)
        unchanged = min(timed(lambda: _unchanged(program, feed)) for _ in range(20))
        program.store.close()
        return {
            "name": "feed",
            "units": units,
            "events": len(values),
            "bytes": len(body),
            **compared._asdict(),
            "peak_rss_mb": peak,
            "after_one_change_seconds": round(changed, 4),
            "after_one_change_share": round(changed / compared.seconds, 4),
            "unchanged_seconds": round(unchanged, 5),
        }


def furnish(folder: Path, units: int) -> tuple[Program, keys.Feed, str]:
    """A fleet after its first round, with a feed of all of it and the feed's key."""
    store = open_store(f"sqlite:///{folder / 'feed.db'}")
    migrate(store, fleet.NOW)
    fleet.build(store, units)
    program = Program(load_settings(None), store, lambda: fleet.NOW)
    run_round(program, ZONE, fleet.ON)
    with store.write() as conn:
        feed, key = keys.add(conn, fleet.NOW)
    return program, feed, key


def _values(body: bytes) -> list[list[tuple[str, Any]]]:
    """Each event's values as Python has them, ready to be put into objects again."""
    found = []
    for item in Calendar.from_ical(body).walk("VEVENT"):
        found.append([(name, _plain(item.get(name))) for name in item])
    return found


def _plain(value: Any) -> Any:
    if hasattr(value, "dt"):
        return value.dt
    if hasattr(value, "cats"):
        return [str(word) for word in value.cats]
    if hasattr(value, "latitude"):
        return (value.latitude, value.longitude)
    return int(value) if isinstance(value, int) else str(value)


def _floor(values: list[list[tuple[str, Any]]]) -> bytes:
    calendar = Calendar()
    calendar.add("prodid", "-//floor//EN")
    calendar.add("version", "2.0")
    for pairs in values:
        event = Event()
        for name, value in pairs:
            event.add(name, value)
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _emptied(program: Program, work: Callable[[], None]) -> Callable[[], None]:
    """The work with nothing kept. The emptying is timed with it, which is to our disadvantage and small."""

    def emptied() -> None:
        with program.store.write() as conn:
            conn.execute(delete(events))
        work()

    return emptied


def _one_changed(program: Program, feed: keys.Feed, number: int) -> Callable[[], None]:
    """What a look costs after one duty moved; the move itself is not part of it."""
    with program.store.write() as conn:
        some = conn.execute(select(func.min(duties.c.id) + number * 7)).scalar_one()
        conn.execute(update(duties).where(duties.c.id == some).values(revision=duties.c.revision + 1, sequence=number))
        raise_version(conn)
    return lambda: _look(program, feed)


def _look(program: Program, feed: keys.Feed) -> None:
    feeds.remember(program, feed, EVENTS, feeds.build(program, feed))


def _unchanged(program: Program, feed: keys.Feed) -> None:
    with program.store.read() as conn:
        assert feeds.standing(conn, program.settings, feed, EVENTS) is not None
