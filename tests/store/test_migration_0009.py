"""The step to 0009: what an older program read from the log is read anew, parts and evidence."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import text
from tests.conftest import START

from nightround.register.rereading import read_anew
from nightround.rounds.loading import load
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate

CHILD = '{"kind":"pads-child","label_date":"2029-02","lot":"C2"}'
WRONG = '{"kind":"battery","label_date":"2035-01","lot":"X"}'


@pytest.fixture(params=["sqlite", "postgresql"])
def released(request: pytest.FixtureRequest, bare_database_of: Callable[[str], str]) -> Any:
    """What 0008 left: pads seen opened, child pads fitted by an imported row that changed no part, and a battery that
    a struck entry fitted and that stayed."""
    store = open_store(bare_database_of(request.param))
    migrate(store, START, to="0008")
    moment = START.replace(tzinfo=None) if store.dialect == "sqlite" else START
    with store.write() as conn:

        def put(table: str, **values: Any) -> None:
            names = ", ".join(f'"{name}"' for name in values)
            marks = ", ".join(f":{name}" for name in values)
            conn.execute(text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), values)

        put("fleet", id=1, namespace="n", created_at=moment, log_count=4)
        put("sites", id=1, site="S", time_zone="Europe/Paris")
        put("units", id=7, unit="U", site_id=1, label="l")
        put("people", id=1, person="P", name="Pat")
        for kind, lot, label, good, fitted in (
            ("pads-adult", "A", "2028-10", "2028-10-31", "2025-06-01"),
            ("pads-child", "C", "2029-01", "2029-01-31", "2025-06-01"),
            ("battery", "X", "2035-01", "2035-01-31", "2026-11-23"),
        ):
            put("parts", unit_id=7, kind=kind, state="fitted", lot=lot, label_date=label,
                last_good_day=good, fitted_on=fitted)  # fmt: skip
        put("parts", unit_id=7, kind="battery", state="removed", lot="B", fitted_on="2025-06-01")
        rows = (("check", '{"pads":"opened"}', "{}", None, 5), ("fitted", "{}", CHILD, None, 3),
                ("fitted", "{}", WRONG, None, 2), ("struck", "{}", "{}", 3, 1))  # fmt: skip
        for number, (entry, readings, part, strikes, days) in enumerate(rows, 1):
            at = moment - timedelta(days=days)
            put("log", id=number, unit_id=7, at=at, written_at=at, entry=entry, by_person="P", readings=readings,
                part=part, strikes=strikes, digest=str(number), prev_hash="", hash=str(number))  # fmt: skip
        put("evidence", unit_id=7, looked_on="2026-11-20")
    yield store
    store.close()


def test_the_log_is_read_anew_once(released: Store) -> None:
    migrate(released, START)
    assert read_anew(released, START) == [7]
    with released.read() as conn:
        [loaded] = load(conn, [7])
        held = conn.execute(text("SELECT kind, lot, state FROM parts ORDER BY id")).all()
    assert [tuple(row) for row in held] == [
        ("pads-adult", "A", "fitted"), ("pads-child", "C", "removed"), ("battery", "X", "void"),
        ("battery", "B", "removed"), ("pads-child", "C2", "fitted"),
    ]  # fmt: skip
    said = loaded.facts.evidence
    assert str(said.of_pads("pads-adult").bad_on) == "2026-11-20"
    assert said.of_pads("pads-child").bad_on is None
    assert read_anew(released, START) == []


def test_a_new_database_has_nothing_to_read_anew(sqlite_store: Store) -> None:
    assert read_anew(sqlite_store, START) == []
