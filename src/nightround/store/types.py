"""Column types: one for instants, which refuses what has no zone."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import DateTime
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class Instant(TypeDecorator[dt.datetime]):
    """An instant in UTC. Takes aware datetimes only and gives back aware UTC, the same on both databases.

    SQLAlchemy's own `DateTime(timezone=True)` drops the offset on SQLite without a word.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"an instant needs a time zone: {value!r}")
        utc = value.astimezone(dt.UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)

    def process_literal_param(self, value: dt.datetime | None, dialect: Dialect) -> str:
        raise NotImplementedError("instants are always bound, never written into SQL")

    @property
    def python_type(self) -> type[Any]:
        return dt.datetime
