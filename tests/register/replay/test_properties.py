"""Whatever is logged: a strike leaves what the log without the entry leaves, and an import leaves what logging leaves.

Everything happens in one unit of work that is undone afterwards, which makes many examples quick.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, insert, select

from nightround.reckoning.facts import Evidence
from nightround.register.cells import join_pairs
from nightround.register.importing import compare
from nightround.register.log import NewEntry
from nightround.register.reading import read
from nightround.register.recording import record, strike
from nightround.register.writing import write
from nightround.rounds.loading import load
from nightround.store.database import Store
from nightround.store.tables import evidence, parts, people
from tests.conftest import START
from tests.rounds.night.build import add_site, add_unit

SHARED = [HealthCheck.function_scoped_fixture]
FIRST = START - timedelta(days=60)
Found = TypeVar("Found")


class Told(NamedTuple):
    """One thing that happened; `number` makes the minute, so that no two are at the same time."""

    day: int
    entry: str
    readings: dict[str, str]
    part: dict[str, str]
    number: int = 0

    @property
    def at(self) -> datetime:
        return FIRST + timedelta(days=self.day, minutes=self.number)


KINDS = st.sampled_from(("pads-adult", "pads-child", "battery"))
BAD = st.sampled_from(("opened", "past", "expiring", "missing", "ok"))
PART = st.fixed_dictionaries(
    {"kind": KINDS},
    optional={"lot": st.sampled_from("LMN"), "label_date": st.sampled_from(("2028-01", "2029-06-15", "2027-11"))},
)
DAYS = st.integers(0, 58)
TOLD = st.one_of(
    st.builds(Told, DAYS, st.just("fitted"), st.just({}), PART),
    st.builds(Told, DAYS, st.just("fitted"), st.just({}), PART),
    st.builds(Told, DAYS, st.just("removed"), st.just({}), st.fixed_dictionaries({"kind": KINDS})),
    st.builds(
        Told, DAYS, st.just("check"),
        st.fixed_dictionaries({}, optional={"pads": BAD, "battery": st.sampled_from(("ok", "low", "empty")),
                                            "self-test": st.just("ok")}),
        st.just({}),
    ),
    st.builds(
        Told, DAYS, st.just("used"),
        st.fixed_dictionaries({}, optional={"mode": st.sampled_from(("adult", "child")), "pads-opened": st.just("no")}),
        st.just({}),
    ),
    st.builds(
        Told, DAYS, st.just("ordered"), st.just({}),
        st.fixed_dictionaries({"kind": KINDS, "expected": st.sampled_from(("2026-12-20", "2026-11-01"))}),
    ),
)  # fmt: skip
LOGS = st.lists(TOLD, min_size=1, max_size=7).map(
    lambda found: [one._replace(number=number) for number, one in enumerate(found)]
)


class _Undo(Exception):
    pass


@pytest.fixture
def unit(sqlite_store: Store) -> int:
    """A unit with pads of two kinds, a battery, and a spare of each kind, as the register declares them."""
    with sqlite_store.write() as conn:
        conn.execute(insert(people).values(person="P", name="Pat"))
        found = add_unit(conn, "U", add_site(conn, "S"))
        conn.execute(parts.delete())
        conn.execute(evidence.delete())
        for kind, lot in (("pads-adult", "A"), ("pads-child", "C"), ("battery", "B")):
            row = {"unit_id": found, "kind": kind, "label_date": "2028-10", "last_good_day": date(2028, 10, 31)}
            conn.execute(insert(parts).values(row | {"state": "fitted", "lot": lot, "fitted_on": date(2025, 6, 1)}))
            conn.execute(insert(parts).values(row | {"state": "spare", "lot": "L"}))
    return found


def undone(store: Store, do: Callable[[Connection], Found]) -> Found:
    found: list[Found] = []
    try:
        with store.write() as conn:
            found.append(do(conn))
            raise _Undo
    except _Undo:
        return found[0]


def logged(conn: Connection, unit: int, told: list[Told]) -> list[int]:
    return [
        record(conn, NewEntry(unit, one.at, one.entry, "P", one.readings, one.part), START, accept_odd=True)
        for one in told
    ]


def state(conn: Connection, unit: int) -> tuple[Any, ...]:
    """What is in the unit or kept for it, and what its log says."""
    columns = [parts.c[name] for name in ("kind", "state", "lot", "label_date", "last_good_day", "fitted_on", "odd")]
    held = conn.execute(select(*columns).where(parts.c.unit_id == unit, parts.c.state.in_(("fitted", "spare"))))
    said = conn.execute(select(evidence).where(evidence.c.unit_id == unit)).first()
    return sorted(map(tuple, held), key=str), None if said is None else tuple(said)


@settings(max_examples=20, suppress_health_check=SHARED)
@given(told=LOGS, wrong=st.sets(st.integers(0, 7), min_size=1, max_size=3), late=st.booleans())
def test_after_a_strike_is_as_the_log_without_the_entry(
    sqlite_store: Store, unit: int, told: list[Told], wrong: set[int], late: bool
) -> None:
    def struck(conn: Connection) -> tuple[Any, ...]:
        if late:
            ids = logged(conn, unit, told)
            for place in sorted(wrong):
                if place < len(ids):
                    strike(conn, ids[place], "wrong", "P", START)
        else:
            for place, one in enumerate(told):
                [entry] = logged(conn, unit, [one])
                if place in wrong:
                    strike(conn, entry, "wrong", "P", START)
        return state(conn, unit)

    def without(conn: Connection) -> tuple[Any, ...]:
        logged(conn, unit, [one for place, one in enumerate(told) if place not in wrong])
        return state(conn, unit)

    assert undone(sqlite_store, struck) == undone(sqlite_store, without)


@settings(max_examples=15, suppress_health_check=SHARED)
@given(told=LOGS, random=st.randoms(use_true_random=False), files=st.integers(1, 2))
def test_an_imported_log_leaves_what_a_logged_one_leaves(
    sqlite_store: Store, unit: int, tmp_path: Path, told: list[Told], random: Any, files: int
) -> None:
    def by_hand(conn: Connection) -> tuple[Any, ...]:
        logged(conn, unit, sorted(told, key=lambda one: one.at))
        return state(conn, unit)

    def imported(conn: Connection) -> tuple[Any, ...]:
        rows = list(told)
        random.shuffle(rows)
        for number in range(files):
            file = tmp_path / "log.csv"
            lines = ["unit,at,entry,by,readings,part"]
            lines += [
                f"U,{one.at.isoformat()},{one.entry},P,{join_pairs(one.readings)},{join_pairs(one.part)}"
                for one in rows[number::files]
            ]
            file.write_text("\n".join(lines) + "\n", encoding="utf-8")
            comparison = compare(conn, read(file, default_zone="Europe/London"), START, accept_odd=True)
            assert comparison.report.problems == []
            write(conn, comparison.plan, START, lambda done, total: None)
        return state(conn, unit)

    assert undone(sqlite_store, imported) == undone(sqlite_store, by_hand)


def _expected(told: list[Told], kind: str) -> dict[str, date | None]:
    """Said anew, from the end: what was seen of the pads of one kind since the last new ones of that kind."""
    ordered = sorted(told, key=lambda one: one.at)
    found: dict[str, date | None] = {"low_on": None, "bad_on": None, "missing_on": None}
    words = {"opened": "bad_on", "past": "bad_on", "expiring": "low_on", "missing": "missing_on"}
    is_new = max((n for n, one in enumerate(ordered) if one[1] == "fitted" and one.part["kind"] == kind), default=-1)
    for place in range(len(ordered) - 1, is_new, -1):
        one = ordered[place]
        there = {
            other
            for other in ("pads-adult", "pads-child")
            if [past.entry for past in ordered[:place] if past.part.get("kind") == other and past.entry != "ordered"][
                -1:
            ]
            != ["removed"]
        }
        on = one.at.date()
        if one.entry == "removed" and one.part["kind"] == kind:
            found["missing_on"] = on
        if one.entry == "check" and one.readings.get("pads", "ok") != "ok" and kind in there:
            found[words[one.readings["pads"]]] = on
        if one.entry == "used" and "pads-opened" not in one.readings and kind in there:
            of_mode = f"pads-{one.readings.get('mode', kind.removeprefix('pads-'))}"
            if of_mode == kind or of_mode not in there:
                found["bad_on"] = on
    return found


@settings(max_examples=25, suppress_health_check=SHARED)
@given(told=LOGS)
def test_readings_of_pads_are_those_since_the_last_of_their_kind(
    sqlite_store: Store, unit: int, told: list[Told]
) -> None:
    def said(conn: Connection) -> tuple[Evidence, set[str]]:
        logged(conn, unit, told)
        [loaded] = load(conn, [unit])
        return loaded.facts.evidence, {part.kind for part in loaded.facts.parts if part.state == "fitted"}

    found, there = undone(sqlite_store, said)
    for kind in there & {"pads-adult", "pads-child"}:
        assert found.of_pads(kind)._asdict() == {"kind": kind, **_expected(told, kind)}, json.dumps(told)
