"""Wires the program in one place: settings, store, clock and the rule book. Tests call it with other parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import UserError

if TYPE_CHECKING:
    from .settings import Settings
    from .store.database import Store

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """Now, aware, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Program:
    """What every room is handed."""

    settings: Settings
    store: Store
    clock: Clock


def start(settings: Settings, *, clock: Clock = system_clock, store: Store | None = None) -> Program:
    """Opens the store and refuses a database that is not there, empty, or of another schema."""
    # Here, since a command that needs no database is to start without it.
    from .store.database import open_store
    from .store.schema import require_newest

    if store is None:
        store = open_store(settings.database_url())
        file = store.engine.url.database
        if store.dialect == "sqlite" and file is not None and not Path(file).is_file():
            # SQLite would make an empty one in silence, and a fleet that nobody watches would look like an empty one.
            raise UserError(
                f"the database {file} is not there; go to the folder of your nightround.toml, or name that file with "
                "--config; if it is the right one, put the database back from a backup or correct database.url"
            )
        require_newest(store)
    return Program(settings, store, clock)
