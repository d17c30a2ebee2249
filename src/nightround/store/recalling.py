"""What was read before, kept for as long as nobody wrote to the tables it came from.

Only for a database that one process has to itself, such as a rehearsal's copy. Everywhere else another process may
write at any moment: there `recall` asks each time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Table, event

T = TypeVar("T")
Stamp = tuple[int, ...]

_OPTION = "nightround_recalled"
_ANY = "*"  # counts what is of no one table: statements in the database's own words, and work that was undone
_HARMLESS = ("BEGIN", "PRAGMA", "SELECT")


class Recalled:
    """Counts the writes to each table of one database, and keeps answers with the counts at which they were true."""

    def __init__(self) -> None:
        self._writes: defaultdict[str, int] = defaultdict(int)
        self._kept: dict[Hashable, tuple[Stamp, Any]] = {}

        self.notes: dict[str, dict[Any, Any]] = {}

    def stamp(self, tables: Iterable[Table]) -> Stamp:
        """Another one after every write to one of the tables."""
        writes = self._writes
        return (writes[_ANY], *[writes[table.name] for table in tables])

    def answer(self, key: Hashable, tables: Iterable[Table], ask: Callable[[], T]) -> T:
        """As `recall`."""
        stamp = self.stamp(tables)
        kept = self._kept.get(key)
        if kept is None or kept[0] != stamp:
            kept = self._kept[key] = stamp, ask()
        found: T = kept[1]
        return found

    def forget(self) -> None:
        """Keeps nothing of what was read before, because something that was written has been undone."""
        self._writes[_ANY] += 1

    def watch(self, engine: Engine) -> None:
        """Counts from now on what is written through the engine, and lets `recall` find this."""

        def wrote(_conn: Any, _cursor: Any, statement: str, _parameters: Any, context: Any, _many: bool) -> None:
            said = None if context.compiled is None else context.compiled.statement
            if said is not None and said.is_dml:
                self._writes[said.table.name] += 1
            elif (said is None or not said.is_select) and not statement.startswith(_HARMLESS):
                self._writes[_ANY] += 1

        event.listen(engine, "before_cursor_execute", wrote)
        engine.update_execution_options(**{_OPTION: self})


def notes(conn: Connection, name: str) -> dict[Any, Any] | None:
    """What somebody wrote down before for themselves about this database; None where it is not one process's alone."""
    kept = conn.get_execution_options().get(_OPTION)
    return None if kept is None else kept.notes.setdefault(name, {})


def recall(conn: Connection, key: Hashable, tables: Iterable[Table], ask: Callable[[], T]) -> T:
    """What `ask` reads from those tables and no others. Nobody may change it: it may be given out again.

    `key` says what was asked; it must not hold instants, or too much would be kept.
    """
    kept = conn.get_execution_options().get(_OPTION)
    return ask() if kept is None else kept.answer(key, tables, ask)
