"""Wires the program in one place: settings, store, clock and the rule book. Tests call it with other parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from .settings import Settings
from .store.database import Store, open_store
from .store.schema import require_newest

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
    """Opens the store and refuses a database that is empty or of another schema."""
    if store is None:
        store = open_store(settings.database_url())
        require_newest(store)
    return Program(settings, store, clock)
