"""The log: append-only, chained, and never two of the same."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, select, text, update

from nightround.errors import UserError
from nightround.register.log import Broken, NewEntry, append, append_many, verify_chain
from nightround.store.database import Store, open_store
from nightround.store.tables import fleet, log
from tests.conftest import START
from tests.rounds.night.build import add_site, add_unit

HOUR = timedelta(hours=1)


@pytest.fixture
def unit(store: Store) -> int:
    with store.write() as conn:
        return add_unit(conn, "MILL-01", add_site(conn, "MILL"))


def entry(unit: int, n: int = 1, **more: object) -> NewEntry:
    fields: dict[str, object] = {"readings": {"self-test": "ok"}, "note": f"note {n}"}
    return NewEntry(unit, START - n * HOUR, "check", "P1", **(fields | more))  # type: ignore[arg-type]


def test_entries_are_numbered_without_gaps_and_the_chain_holds(store: Store, unit: int) -> None:
    with store.write() as conn:
        assert append_many(conn, [entry(unit, n) for n in range(1, 6)], START) == [1, 2, 3, 4, 5]
        assert append(conn, entry(unit, 9), START + HOUR) == 6
        assert verify_chain(conn) is None


def test_the_same_entry_is_not_written_twice(store: Store, unit: int) -> None:
    with store.write() as conn:
        assert append(conn, entry(unit), START) == append(conn, entry(unit), START + HOUR) == 1
        assert append_many(conn, [entry(unit, 2), entry(unit, 2)], START) == [2, 2]
        assert conn.execute(select(fleet.c.log_count)).scalar_one() == 2


def test_a_backdated_entry_keeps_both_its_times(store: Store, unit: int) -> None:
    with store.write() as conn:
        append(conn, entry(unit, 500), START)
        assert conn.execute(select(log.c.at, log.c.written_at)).one() == (START - 500 * HOUR, START)


@pytest.mark.parametrize(("minutes", "refused"), [(4, False), (6, True)])
def test_an_entry_in_the_future_is_refused(store: Store, unit: int, minutes: int, refused: bool) -> None:
    late = NewEntry(unit, START + timedelta(minutes=minutes), "check", "P1")
    with store.write() as conn:
        if refused:
            with pytest.raises(UserError, match="in the future"):
                append(conn, late, START)
        else:
            assert append(conn, late, START) == 1


def test_an_unknown_kind_of_entry_is_named_with_the_known_ones(store: Store, unit: int) -> None:
    with store.write() as conn, pytest.raises(UserError, match="'polished' is not known; use one of check"):
        append(conn, NewEntry(unit, START, "polished"), START)


@pytest.mark.parametrize(
    "change",
    [
        {"note": "note 3!"},
        {"by_person": "P2"},
        {"at": START},
        {"written_at": START - HOUR},
        {"readings": '{"self-test":"fault"}'},
        {"entry": "fault"},
        {"hash": "0" * 64},
        {"prev_hash": "0" * 64},
        {"strikes": 1},
    ],
    ids=lambda change: next(iter(change)),
)
def test_one_changed_field_is_found_and_the_first_entry_named(
    store: Store, unit: int, change: dict[str, object]
) -> None:
    with store.write() as conn:
        append_many(conn, [entry(unit, n) for n in range(1, 6)], START)
        conn.execute(update(log).where(log.c.id == 3).values(**change))
        found = verify_chain(conn)
    assert isinstance(found, Broken)
    assert found.entry_id == 3


@pytest.mark.parametrize(("gone", "named"), [(1, 1), (3, 3), (5, 5)])
def test_an_entry_taken_out_is_found(store: Store, unit: int, gone: int, named: int) -> None:
    with store.write() as conn:
        append_many(conn, [entry(unit, n) for n in range(1, 6)], START)
        conn.execute(delete(log).where(log.c.id == gone))
        found = verify_chain(conn)
    assert found is not None
    assert found.entry_id == named


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(1, 8), position=st.integers(0, 63), digit=st.sampled_from("0123456789abcdef"))
def test_any_changed_digit_of_any_hash_is_found(sqlite_store: Store, at: int, position: int, digit: str) -> None:
    with sqlite_store.write() as conn:
        if conn.execute(select(fleet.c.log_count)).scalar_one() == 0:
            unit = add_unit(conn, "MILL-01", add_site(conn, "MILL"))
            append_many(conn, [entry(unit, n) for n in range(1, 9)], START)
    with sqlite_store.engine.connect() as conn:
        transaction = conn.begin()
        good = conn.execute(select(log.c.hash).where(log.c.id == at)).scalar_one()
        bad = good[:position] + digit + good[position + 1 :]
        conn.execute(update(log).where(log.c.id == at).values(hash=bad))
        found = verify_chain(conn)
        transaction.rollback()
    assert (found is None) == (bad == good)
    assert found is None or found.entry_id == at


def test_concurrent_writers_never_fork_the_chain(database_url: str) -> None:
    store = open_store(database_url)
    with store.write() as conn:
        unit = add_unit(conn, "MILL-01", add_site(conn, "MILL"))
    errors: list[Exception] = []

    def write(who: int) -> None:
        own = open_store(database_url)
        try:
            for n in range(10):
                with own.write() as conn:
                    append(conn, NewEntry(unit, START - timedelta(minutes=n), "check", f"P{who}"), START)
        except Exception as error:
            errors.append(error)
        finally:
            own.close()

    threads = [threading.Thread(target=write, args=(who,)) for who in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert errors == []
    with store.read() as conn:
        assert verify_chain(conn) is None
        assert conn.execute(select(fleet.c.log_count)).scalar_one() == 40
    store.close()


def test_the_chain_reads_the_same_on_both_databases_and_after_a_round_trip(store: Store, unit: int) -> None:
    odd = datetime(2026, 11, 25, 8, 30, 15, 123456, tzinfo=UTC)
    with store.write() as conn:
        append(conn, NewEntry(unit, odd, "fault", "", {"ä": "ü;=\n"}, {"kind": "battery"}, "\u202ertl"), START)
        assert verify_chain(conn) is None
        if store.dialect == "sqlite":
            conn.execute(text("UPDATE log SET note = 'x' WHERE id = 1"))
            assert verify_chain(conn) is not None
