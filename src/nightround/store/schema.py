"""Brings a database to the newest schema with Alembic, and says which one it has."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, text

from ..errors import UserError
from .database import Store, found_fleet

if TYPE_CHECKING:
    from alembic.config import Config

_MIGRATIONS = Path(__file__).parent / "migrations"
_VERSIONS = _MIGRATIONS / "versions"


def _config(conn: Connection | None = None) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.set_main_option("path_separator", "os")
    if conn is not None:
        config.attributes["connection"] = conn
    return config


def newest() -> str:
    """The revision this program works with."""
    return max(_revisions())


def knows(revision: str) -> bool:
    """Whether this program can bring a database of that revision to the newest."""
    return revision in _revisions()


def current(store: Store) -> str | None:
    """The revision the database has; None where it is empty."""
    with store.read() as conn:
        if not inspect(conn).has_table("alembic_version"):
            return None
        return conn.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _revisions() -> set[str]:
    """Every revision there is. They are numbered in one line, and their files begin with the number (a test holds
    it), so that every start of a command need not have Alembic read them."""
    return {file.name.split("_")[0] for file in _VERSIONS.glob("[0-9]*.py")}


def migrate(store: Store, now: datetime, to: str = "head", namespace: str | None = None) -> None:
    """Migrates forward, in one transaction, and founds the fleet's row."""
    from alembic import command

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
