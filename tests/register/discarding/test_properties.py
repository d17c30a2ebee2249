"""Whatever was logged: a discard changes no evidence, now or by what comes later, and the chain proves the rest."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, select, text, update

from nightround.errors import UserError
from nightround.reckoning.rules import Rule, Span
from nightround.register.discarding import discard
from nightround.register.log import NewEntry, append_many, verify_chain
from nightround.register.recording import strike
from nightround.store.database import Store
from nightround.store.tables import evidence, fleet, log, parts

from .build import NOW, evidence_rows, fleet_of, keep

FIRST = NOW - timedelta(days=400)
SHARED = [HealthCheck.function_scoped_fixture]

KINDS = st.sampled_from(("check", "fault", "used", "fitted", "removed", "ordered", "withdrawn", "returned", "reported"))
READINGS = st.fixed_dictionaries(
    {},
    optional={
        "self-test": st.sampled_from(("ok", "fault")),
        "battery": st.sampled_from(("4/4", "1/4", "0/4")),
        "pads": st.sampled_from(("ok", "expiring", "opened", "missing")),
        "cabinet": st.sampled_from(("ok", "fault")),
        "scope": st.sampled_from(("look", "test", "inspection")),
    },
)
PARTS = st.sampled_from(("pads-adult", "battery"))
RULES = st.sampled_from(
    ((), (keep(Span.KEPT_MONTHS, 6),), (keep(Span.KEPT_UNTIL_NEXT_CHECK),), (keep(Span.KEPT_FOR_LIFE),))
)


@st.composite
def told(draw: st.DrawFn, first: int = 0, last: int = 399) -> tuple[int, str, str, dict[str, str], dict[str, str]]:
    kind = draw(KINDS)
    readings = draw(READINGS) if kind in ("check", "fault") else {}
    part: dict[str, str] = {}
    if kind in ("fitted", "removed", "ordered"):
        part = {"kind": draw(PARTS)} | ({"expected": "2026-12-24"} if kind == "ordered" else {})
    return draw(st.integers(first, last)), kind, draw(st.sampled_from(("ADA", "BO", ""))), readings, part


def entries(unit: int, items: list[tuple[int, str, str, dict[str, str], dict[str, str]]]) -> list[NewEntry]:
    # A different minute each, so that no two are the same entry.
    return [
        NewEntry(unit, FIRST + timedelta(days=days, minutes=number), kind, by, readings, part, f"note {number}")
        for number, (days, kind, by, readings, part) in enumerate(items)
    ]


@pytest.fixture
def unit(sqlite_store: Store) -> int:
    return fleet_of(sqlite_store, "MILL-01")[0]


def _empty(store: Store) -> None:
    with store.write() as conn:
        conn.execute(delete(log))
        conn.execute(delete(evidence))
        conn.execute(delete(parts))
        conn.execute(update(fleet).values(log_count=0, log_head=""))


@settings(max_examples=80, deadline=None, suppress_health_check=SHARED)
@given(
    first=st.lists(told(), min_size=1, max_size=14),
    struck=st.lists(st.integers(1, 14), max_size=3),
    rules=RULES,
    cut=st.integers(1, 400),
    after=st.lists(told(300, 399), max_size=4),
    struck_after=st.lists(st.integers(1, 20), max_size=2),
)
def test_no_discard_changes_any_evidence_now_or_later(
    sqlite_store: Store,
    unit: int,
    first: list[Any],
    struck: list[int],
    rules: tuple[Rule, ...],
    cut: int,
    after: list[Any],
    struck_after: list[int],
) -> None:
    before = (FIRST + timedelta(days=cut)).date()
    found = []
    for discards in (False, True):
        _empty(sqlite_store)
        with sqlite_store.write() as conn:
            ids = append_many(conn, entries(unit, first), NOW)
            for entry_id in struck:
                _strike(conn, entry_id)
        if discards:
            discard(sqlite_store, rules, before, NOW)
        with sqlite_store.write() as conn:
            now = evidence_rows(conn, [unit])
            # What is logged or struck afterwards, on or after the day, weighs the same too.
            came = [made for made in entries(unit, after) if made.at.date() > before]
            # By their place among what was told: a discard is an entry itself, so ids alone do not compare.
            ids = [*ids, *append_many(conn, came, NOW)]
            for entry_id in [ids[n - 1] for n in struck_after if n <= len(ids)]:
                row = conn.execute(select(log.c.at).where(log.c.id == entry_id)).first()
                if row is not None and row.at.date() > before:
                    _strike(conn, entry_id)
            found.append((now, evidence_rows(conn, [unit])))
            assert verify_chain(conn) is None
    assert found[0] == found[1]


def _strike(conn: Any, entry_id: int) -> None:
    try:
        strike(conn, entry_id, "wrong", "ADA", NOW)
    except UserError:
        return  # struck already, a correction itself, or not there


@pytest.fixture
def buried(sqlite_store: Store, unit: int) -> Store:
    """A chain with two discards in it, corrections, and entries before, between and after."""
    items = [(days, "check", "ADA", {"self-test": "ok"}, {}) for days in range(0, 380, 20)]
    with sqlite_store.write() as conn:
        append_many(conn, entries(unit, items), NOW)
        strike(conn, 3, "wrong", "ADA", NOW)
    assert discard(sqlite_store, [], (FIRST + timedelta(days=100)).date(), NOW).going
    with sqlite_store.write() as conn:
        append_many(conn, [NewEntry(unit, NOW, "fault", "", note="it beeps")], NOW)
    assert discard(sqlite_store, [], (FIRST + timedelta(days=200)).date(), NOW + timedelta(hours=1), "ADA").going
    with sqlite_store.read() as conn:
        assert verify_chain(conn) is None
    return sqlite_store


COLUMNS = [column.name for column in log.c]


@settings(max_examples=150, deadline=None, suppress_health_check=SHARED)
@given(entry_id=st.integers(1, 23), column=st.sampled_from(COLUMNS), place=st.integers(0, 200), sign=st.integers(0, 9))
def test_one_changed_byte_anywhere_is_found(buried: Store, entry_id: int, column: str, place: int, sign: int) -> None:
    """Inside gravestones and inside what names them, whichever column and place."""
    with buried.engine.connect() as conn:
        transaction = conn.begin()
        number = {"key": entry_id}
        was = conn.execute(text(f"SELECT {column} FROM log WHERE id = :key"), number).scalar_one()
        plain = "" if was is None else str(was)
        at = place % (len(plain) + 1)
        new = plain[:at] + str(sign) + plain[at + 1 :]
        changed: Any = int(new) if isinstance(was, int) else new
        if column in ("id", "unit_id"):
            conn.execute(text("PRAGMA defer_foreign_keys = ON"))
            taken = conn.execute(text("SELECT 1 FROM log WHERE id = :new"), {"new": changed}).first()
            if column == "id" and taken is not None:
                transaction.rollback()
                return
        conn.execute(text(f"UPDATE log SET {column} = :new WHERE id = :key"), number | {"new": changed})
        found = verify_chain(conn)
        transaction.rollback()
    assert (found is None) == (changed == was)


@settings(max_examples=40, deadline=None, suppress_health_check=SHARED)
@given(cuts=st.lists(st.integers(0, 400), min_size=1, max_size=4), rules=RULES)
def test_the_chain_holds_after_any_discards(
    sqlite_store: Store, unit: int, cuts: list[int], rules: tuple[Rule, ...]
) -> None:
    _empty(sqlite_store)
    items = [(days, "check", "ADA", {"self-test": "ok"}, {}) for days in range(0, 380, 20)]
    with sqlite_store.write() as conn:
        append_many(conn, entries(unit, items), NOW)
    for number, cut in enumerate(cuts):
        before: date = (FIRST + timedelta(days=cut)).date()
        discard(sqlite_store, rules, before, NOW + timedelta(minutes=number))
        with sqlite_store.read() as conn:
            assert verify_chain(conn) is None
    with sqlite_store.read() as conn:
        emptied = conn.execute(select(log.c.at).where(log.c.discarded_at.is_not(None))).scalars().all()
        assert all(at < FIRST + timedelta(days=max(cuts)) for at in emptied)
