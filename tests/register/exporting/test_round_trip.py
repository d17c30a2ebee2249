"""Whatever is in the register goes out and comes in again without a change, by folder and by workbook."""

from __future__ import annotations

import shutil
import tempfile
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.register.cells import neutral, restore
from nightround.register.changes import Report
from nightround.register.exporting import export
from nightround.register.found import Reading
from nightround.register.importing import compare, import_file
from nightround.register.log import append_many
from nightround.register.spelling import heard, instant_text, number_text, pairs_cell
from nightround.register.writing import write
from nightround.settings import load
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate
from nightround.store.tables import metadata

from .registers import NOW, ZONES, entries, registers


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated database without a row, to be copied."""
    file = tmp_path_factory.mktemp("empty") / "empty.db"
    store = open_store(f"sqlite:///{file}")
    migrate(store, NOW)
    store.close()
    return file


def _fill(store: Store, reading: Reading) -> None:
    with store.write() as conn:
        comparison = compare(conn, reading, NOW, accept_odd=True)
        assert comparison.report.problems == []
        write(conn, comparison.plan, NOW, lambda done, total: None)


def _everything(store: Store) -> dict[str, list[tuple[object, ...]]]:
    with store.read() as conn:
        return {
            name: sorted((tuple(row) for row in conn.execute(select(table))), key=str)
            for name, table in metadata.tables.items()
        }


def _nothing_changed(report: Report) -> None:
    assert [problem.sentence() for problem in report.problems] == []
    assert (report.changes, report.added, report.missing) == ([], [], [])
    assert not report.changed_anything()


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(registers(), st.data(), st.sampled_from(["out", "out.xlsx"]))
def test_importing_an_export_changes_nothing(empty: Path, reading: Reading, data: st.DataObject, name: str) -> None:
    people = [str(row.values["person"]) for row in reading.tables.get("people", [])]
    told = data.draw(entries(len(reading.tables.get("units", [])), people))
    # An entry whose words no file can carry is one that no command writes.
    assume(all(heard(entry.readings, entry.part, entry.note) is not None for entry in told))
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        store = open_store(f"sqlite:///{shutil.copy(empty, folder / 'one.db')}")
        other = open_store(f"sqlite:///{shutil.copy(empty, folder / 'other.db')}")
        _fill(store, reading)
        with store.write() as conn:
            append_many(conn, told, NOW)
        program = Program(load(None), store, lambda: NOW)
        export(program, folder / name, lambda done, total: None)
        before = _everything(store)
        _nothing_changed(import_file(program, folder / name))
        assert _everything(store) == before
        # And into an empty register: the same again, and again nothing the second time.
        program = Program(load(None), other, lambda: NOW)
        report = import_file(program, folder / name, accept_odd=True)
        assert report.written
        _nothing_changed(import_file(program, folder / name))
        for table in ("sites", "units", "parts", "people", "training", "log", "rota", "absences", "closures"):
            assert len(_everything(other)[table]) == len(before[table]), table
        store.close()
        other.close()


@given(st.text("=+-@'\t ＝x;1\u00a0", max_size=6))
def test_what_is_made_harmless_is_restored_exactly(text: str) -> None:
    assert restore(neutral(text)) == text


@given(st.floats(-180, 180).map(lambda number: round(number, 9)))
@example(0.00001)
@example(-0.0)
def test_a_number_is_written_without_an_exponent_and_exactly(number: float) -> None:
    text = number_text(number)
    assert "e" not in text.lower()
    assert float(text) == number


@given(st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)), st.sampled_from(ZONES))  # noqa: DTZ001
def test_an_instant_is_written_with_its_offset_and_every_digit(at: datetime, zone: str) -> None:
    instant = at.replace(tzinfo=NOW.tzinfo)
    assert datetime.fromisoformat(instant_text(instant, zone)) == instant


def test_pairs_with_signs_of_their_own_are_read_back() -> None:
    pairs = {"note": "a; b=c\\d", "odd;name": "=1"}
    said = heard(pairs, {}, "")
    assert said is not None and said.readings == pairs
    assert pairs_cell({"=x": "1"}).startswith("'=")
