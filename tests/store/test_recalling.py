"""What a copy in memory reads once is given again for as long as nobody wrote to the tables it came from."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from sqlalchemy import Connection, delete, insert, select, text, update

from nightround.store.database import Store
from nightround.store.memory import Copy, copy_in_memory
from nightround.store.recalling import ANY, recall, within
from nightround.store.tables import beats, happenings, people, sites

AT = datetime(2026, 11, 25, 2, 10, tzinfo=UTC)


@pytest.fixture
def copy(store: Store) -> Iterator[Copy]:
    with copy_in_memory(store) as made:
        yield made


def _names(conn: Connection) -> list[str]:
    return list(recall(conn, "names", (beats,), lambda: list(conn.execute(select(beats.c.name)).scalars())))


def _asked(store: Store) -> list[str]:
    with store.read() as conn:
        return _names(conn)


def test_the_same_answer_is_given_again_until_the_table_is_written_to(copy: Copy) -> None:
    asked = []

    def ask(store: Store) -> int:
        with store.read() as conn:
            return recall(conn, "count", (beats, people), lambda: asked.append(1) or len(asked))

    assert [ask(copy), ask(copy)] == [1, 1]
    with copy.write() as conn:
        conn.execute(insert(happenings).values(kind="clock-set", at=AT, said="x"))
    assert ask(copy) == 1, "another table"
    for statement in (
        insert(beats).values(name="a", at=AT, note=""),
        update(beats).values(note="b"),
        delete(beats),
    ):
        before = ask(copy)
        with copy.write() as conn:
            conn.execute(statement)
        assert ask(copy) == before + 1


def test_a_write_of_the_same_transaction_is_seen(copy: Copy) -> None:
    with copy.write() as conn:
        assert _names(conn) == []
        conn.execute(insert(beats), [{"name": "a", "at": AT, "note": ""}, {"name": "b", "at": AT, "note": ""}])
        assert _names(conn) == ["a", "b"]
    assert _asked(copy) == ["a", "b"]


def test_what_was_read_in_a_transaction_that_was_undone_is_forgotten(copy: Copy) -> None:
    assert _asked(copy) == []
    with pytest.raises(RuntimeError), copy.write() as conn:
        conn.execute(insert(beats).values(name="a", at=AT, note=""))
        assert _names(conn) == ["a"]
        raise RuntimeError
    assert _asked(copy) == []


def test_a_statement_in_the_databases_own_words_counts_as_a_write_to_everything(copy: Copy) -> None:
    assert _asked(copy) == []
    with copy.write() as conn:
        conn.exec_driver_sql("INSERT INTO beats (name, at, note) VALUES ('a', '2026-11-25 02:10:00.000000', '')")
    assert _asked(copy) == ["a"]
    with copy.write() as conn:
        conn.execute(text("DELETE FROM beats"))
    assert _asked(copy) == []


def test_elsewhere_everything_is_asked_each_time(store: Store) -> None:
    assert _asked(store) == []
    with store.write() as conn:
        conn.execute(insert(beats).values(name="a", at=AT, note=""))
    assert _asked(store) == ["a"]


def test_a_stamp_tells_whether_one_of_the_tables_was_written_to(copy: Copy) -> None:
    before = copy.recalled.stamp((sites, beats))
    with copy.write() as conn:
        conn.execute(insert(beats).values(name="a", at=AT, note=""))
    assert copy.recalled.stamp((sites, beats)) != before
    assert copy.recalled.stamp((sites,)) == before[:2]


def test_what_is_written_within_another_zone_does_not_matter_to_a_zone(copy: Copy) -> None:
    asked: list[str] = []

    def ask(zone: str) -> int:
        def look() -> int:
            asked.append(zone)
            return len(asked)

        with copy.read() as conn:
            return recall(conn, "duties", (sites,), look, zone, (beats,))

    def write(zone: str, name: str) -> None:
        with copy.write() as conn, within(conn, zone):
            conn.execute(insert(beats).values(name=name, at=AT, note=""))

    assert [ask("Europe/Berlin"), ask("Asia/Tokyo"), ask(ANY)] == [1, 2, 3]
    write("Asia/Tokyo", "a")
    assert [ask("Europe/Berlin"), ask("Asia/Tokyo"), ask(ANY)] == [1, 4, 5]
    with copy.write() as conn:  # of nobody knows which zone
        conn.execute(insert(beats).values(name="b", at=AT, note=""))
    assert [ask("Europe/Berlin"), ask("Asia/Tokyo"), ask(ANY)] == [6, 7, 8]
    with pytest.raises(RuntimeError), copy.write() as conn, within(conn, "Asia/Tokyo"):
        conn.execute(insert(beats).values(name="c", at=AT, note=""))
        raise RuntimeError
    assert [ask("Europe/Berlin"), ask("Asia/Tokyo"), ask(ANY)] == [9, 10, 11]
    write("Europe/Berlin", "d")
    write("Asia/Tokyo", "e")
    assert [ask("Asia/Tokyo"), ask("Europe/Berlin")] == [12, 13]
    assert [ask("Asia/Tokyo"), ask("Europe/Berlin")] == [12, 13]
