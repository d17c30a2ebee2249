"""A copy in memory holds what the store held, takes units of work like any store, and leaves no trace."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from sqlalchemy import func, insert, select
from sqlalchemy.exc import IntegrityError

from nightround.store.database import Store, raise_version
from nightround.store.memory import Copy, copy_in_memory
from nightround.store.tables import beats, fleet, units

AT = datetime(2026, 11, 25, 2, 10, tzinfo=UTC)


@pytest.fixture
def copy(store: Store) -> Iterator[Copy]:
    with store.write() as conn:
        conn.execute(insert(beats).values(name="before", at=AT))
    with copy_in_memory(store) as made:
        yield made


def _names(store: Store) -> list[str]:
    with store.read() as conn:
        return list(conn.execute(select(beats.c.name).order_by(beats.c.name)).scalars())


def test_what_is_written_to_a_copy_stays_there_and_comes_nowhere_else(store: Store, copy: Copy) -> None:
    with copy.write() as conn:
        conn.execute(insert(beats).values(name="after", at=AT))
    assert _names(copy) == ["after", "before"]
    assert _names(store) == ["before"]


def test_a_unit_of_work_that_fails_leaves_nothing_and_the_next_ones_go_on(copy: Copy) -> None:
    with copy.write() as conn:
        raise_version(conn)
    with pytest.raises(IntegrityError), copy.write() as conn:
        conn.execute(insert(beats).values(name="half", at=AT))
        conn.execute(insert(beats).values(name="before", at=AT))
    assert _names(copy) == ["before"]
    with copy.write() as conn:
        conn.execute(insert(beats).values(name="whole", at=AT))
    assert _names(copy) == ["before", "whole"]
    with copy.read() as conn:
        assert conn.execute(select(fleet.c.version)).scalar_one() == 2, "it begins at 1"


def test_a_copy_keeps_the_references_between_tables(copy: Copy) -> None:
    with pytest.raises(IntegrityError), copy.write() as conn:
        conn.execute(insert(units).values(unit="X", site_id=4711, label="x"))
    with copy.read() as conn:
        assert conn.execute(select(func.count()).select_from(units)).scalar_one() == 0


@pytest.mark.parametrize("outer", ["read", "write"])
@pytest.mark.parametrize("inner", ["read", "write"])
def test_a_unit_of_work_within_another_is_an_error_there(copy: Copy, outer: str, inner: str) -> None:
    with getattr(copy, outer)(), pytest.raises(RuntimeError, match="within another"), getattr(copy, inner)():
        pass
    assert _names(copy) == ["before"]
