"""The office for labels: on SQLite alone, since nothing here depends on the kind of database but one query."""

from tests.register.conftest import office, small_office

__all__ = ["office", "small_office"]
