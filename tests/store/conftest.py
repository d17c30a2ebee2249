"""A database of the first released schema, without rows, on each kind of database."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from tests.conftest import START

from nightround.store.database import Store, open_store
from nightround.store.schema import migrate


@pytest.fixture(params=["sqlite", "postgresql"])
def first_schema(request: pytest.FixtureRequest, bare_database_of: Callable[[str], str]) -> Iterator[Store]:
    store = open_store(bare_database_of(request.param))
    migrate(store, START, to="0001")
    yield store
    store.close()
