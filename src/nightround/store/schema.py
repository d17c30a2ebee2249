"""Brings a database to the newest schema with Alembic, and says which one it has."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from ..errors import UserError
from .database import Store, found_fleet


def _config(conn: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    if conn is not None:
        config.attributes["connection"] = conn
    return config


def newest() -> str:
    """The revision this program works with."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None
    return head


def knows(revision: str) -> bool:
    """Whether this program can bring a database of that revision to the newest."""
    return any(script.revision == revision for script in ScriptDirectory.from_config(_config()).walk_revisions())


def current(store: Store) -> str | None:
    """The revision the database has; None where it is empty."""
    with store.read() as conn:
        return MigrationContext.configure(conn).get_current_revision()


def migrate(store: Store, now: datetime, to: str = "head", namespace: str | None = None) -> None:
    """Migrates forward, in one transaction, and founds the fleet's row."""
    with store.write() as conn:
        command.upgrade(_config(conn), to)
        if to == "head":
            found_fleet(conn, now, namespace)


def require_newest(store: Store) -> None:
    """Raises UserError where the database is not at the newest schema."""
    have = current(store)
    if have is None:
        raise UserError("the database is empty; make one with: nightround setup DIR")
    if have != newest():
        raise UserError(f"the database has schema {have}, this program needs {newest()}; run: nightround migrate")
