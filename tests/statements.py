"""Counts the statements that reach the database, so that a test can say that more zones or units cost no more."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import event

from nightround.store.database import Store


@contextmanager
def statements(store: Store) -> Iterator[list[str]]:
    """The statements that are sent while the block runs, without those that begin a unit of work."""
    sent: list[str] = []

    def note(_conn: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(store.engine, "before_cursor_execute", note)
