"""Whatever files come one after the other, with or without a column for codes: the register comes to rest.

An export brought in again changes nothing, a file brought in twice changes nothing the second time, and no date lies
after the one that the part's own code says.
"""

from __future__ import annotations

import shutil
import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.register.days import Days
from nightround.register.exporting import export
from nightround.register.found import Place, Reading, Row
from nightround.register.importing import compare, import_file
from nightround.register.labelled import of_part
from nightround.register.writing import write
from nightround.settings import load
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate
from nightround.store.tables import parts
from tests.register.exporting.registers import NOW

_CODES = st.sampled_from(
    [
        None,
        "(01)09521234543213(17)281231(10)A1",
        "(01)09521234543213(17)270131(10)B2",
        "(01)09521234543213(17)290630",
        "(01)09521234543213(10)C3",
        "+A99912345/$$52001510X33",
        "no code at all",
    ]
)
_LABELS = st.sampled_from([None, *(Days().label(text) for text in ("2027-01-31", "2028-12", "2029-06-30", "2030-01"))])
_LOTS = st.sampled_from([None, "A1", "B2", "D4", "a 1"])
_FITTED = st.sampled_from([None, date(2024, 3, 1), date(2026, 5, 2)])


@st.composite
def sheets(draw: st.DrawFn) -> Reading:
    """A parts sheet with some of the columns: one fitted battery, and a spare or two."""
    columns = draw(st.sets(st.sampled_from(["lot", "label_date", "udi", "fitted_on"])))
    reading = Reading()
    rows = reading.tables.setdefault("parts", [])
    for state in ["fitted", *["spare"] * draw(st.integers(0, 2))]:
        values: dict[str, object] = {"unit": "U1", "kind": "battery", "state": state}
        drawn = {"lot": draw(_LOTS), "label_date": draw(_LABELS), "udi": draw(_CODES), "fitted_on": draw(_FITTED)}
        values |= {name: drawn[name] for name in drawn if name in columns}
        rows.append(Row(Place("parts.csv", "", 2 + len(rows)), values, {name: name for name in values}))  # type: ignore[arg-type]
    return reading


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("empty") / "empty.db"
    store = open_store(f"sqlite:///{file}")
    migrate(store, NOW)
    reading = Reading()
    place = Place("units.csv", "", 2)
    reading.tables["sites"] = [Row(place, {"site": "MILL", "time_zone": "Europe/London", "country": "GB"}, {})]
    reading.tables["units"] = [Row(place, {"unit": "U1", "site": "MILL"}, {})]
    _bring(store, reading)
    store.close()
    return file


def _bring(store: Store, reading: Reading) -> bool:
    """Whether the import changed anything."""
    with store.write() as conn:
        comparison = compare(conn, reading, NOW, accept_odd=True)
        assert comparison.report.problems == []
        write(conn, comparison.plan, NOW, lambda done, total: None)
    return comparison.report.changed_anything()


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(sheets(), min_size=1, max_size=3))
def test_the_register_comes_to_rest(empty: Path, told: list[Reading]) -> None:
    with tempfile.TemporaryDirectory() as made:
        store = open_store(f"sqlite:///{shutil.copy(empty, Path(made) / 'one.db')}")
        try:
            for reading in told:
                _bring(store, reading)
            assert not _bring(store, told[-1]), "the same file twice"
            program = Program(load(None), store, lambda: NOW)
            export(program, Path(made) / "out", lambda done, total: None)
            report = import_file(program, Path(made) / "out", accept_odd=True)
            assert report.problems == [] and report.changes == [] and not report.changed_anything()
            with store.read() as conn:
                for part in conn.execute(select(parts).where(parts.c.state != "removed")):
                    scanned = of_part(part.udi, "", None, NOW.date()).label
                    if scanned is not None:
                        assert part.last_good_day is not None and part.last_good_day <= scanned.last_good_day
        finally:
            store.close()
