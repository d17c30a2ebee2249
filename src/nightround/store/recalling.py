"""What was read before, kept for as long as nobody wrote to the tables it came from.

Only for a database that one process has to itself, such as a rehearsal's copy. Everywhere else another process may
write at any moment: there `recall` asks each time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Table, event

T = TypeVar("T")
Stamp = tuple[int, ...]

_OPTION = "nightround_recalled"
ANY = "*"  # any table: for statements in the database's own words, and work that was undone; any time zone
_HARMLESS = ("BEGIN", "PRAGMA", "SELECT")


class Recalled:
    """Counts the writes to each table of one database, and keeps answers with the counts at which they were true."""

    def __init__(self) -> None:
        self._writes: defaultdict[str, int] = defaultdict(int)
        self._of_zones: defaultdict[tuple[str, str], int] = defaultdict(int)
        self._kept: dict[Hashable, tuple[Stamp, Any]] = {}
        self.zone = ""  # to which all that is written now belongs, where that is known
        self.notes: dict[str, dict[Any, Any]] = {}

    def stamp(self, tables: Iterable[Table]) -> Stamp:
        """Another one after every write to one of the tables."""
        writes = self._writes
        return (writes[ANY], *[writes[table.name] for table in tables])

    def zone_stamp(self, zone: str, tables: Iterable[Table]) -> Stamp:
        """The same, but for writes that are known to be of other zones only."""
        # What is written within a zone counts for that zone; all other writes count for every zone.
        writes, zones = self._writes, self._of_zones
        return tuple(zones[table.name, zone] + writes[table.name] - zones[table.name, ANY] for table in tables)

    def answer(
        self, key: Hashable, tables: Iterable[Table], ask: Callable[[], T], zone: str, of_zone: Iterable[Table]
    ) -> T:
        """As `recall`."""
        stamp = self.stamp(tables)
        if of_zone:
            stamp += self.zone_stamp(zone, of_zone)
            key = (key, zone)
        kept = self._kept.get(key)
        if kept is None or kept[0] != stamp:
            kept = self._kept[key] = stamp, ask()
        found: T = kept[1]
        return found

    def forget(self) -> None:
        """Keeps nothing of what was read before, because something that was written has been undone."""
        self._writes[ANY] += 1

    def watch(self, engine: Engine) -> None:
        """Counts from now on what is written through the engine, and lets `recall` find this."""

        def wrote(_conn: Any, _cursor: Any, statement: str, _parameters: Any, context: Any, _many: bool) -> None:
            said = None if context.compiled is None else context.compiled.statement
            if said is not None and said.is_dml:
                self._writes[said.table.name] += 1
                if self.zone:
                    self._of_zones[said.table.name, self.zone] += 1
                    self._of_zones[said.table.name, ANY] += 1
            elif (said is None or not said.is_select) and not statement.startswith(_HARMLESS):
                self._writes[ANY] += 1

        event.listen(engine, "before_cursor_execute", wrote)
        engine.update_execution_options(**{_OPTION: self})


def notes(conn: Connection, name: str) -> dict[Any, Any] | None:
    """What somebody wrote down before for themselves about this database; None where it is not one process's alone."""
    kept = conn.get_execution_options().get(_OPTION)
    return None if kept is None else kept.notes.setdefault(name, {})


def recall(
    conn: Connection,
    key: Hashable,
    tables: Iterable[Table],
    ask: Callable[[], T],
    zone: str = ANY,
    of_zone: Iterable[Table] = (),
) -> T:
    """What `ask` reads from those tables and no others. Nobody may change it: it may be given out again.

    `key` says what was asked; it must not hold instants, or too much would be kept. Of the tables `of_zone` only rows
    that belong to that time zone (ANY: to any) are read: what is written `within` another does not matter then.
    """
    kept = conn.get_execution_options().get(_OPTION)
    return ask() if kept is None else kept.answer(key, tables, ask, zone, of_zone)


@contextmanager
def within(conn: Connection, zone: str) -> Iterator[None]:
    """All that is written in the block belongs to units, sites and people of that time zone."""
    kept = conn.get_execution_options().get(_OPTION)
    if kept is None:
        yield
        return
    kept.zone = zone
    try:
        yield
    finally:
        kept.zone = ""
