"""Import of a large workbook against a floor in the same run: reading all its cells with openpyxl in read-only mode.

Ours is all of `import`: reading, understanding, comparing with the register, writing to SQLite. Reckoning afterwards
is not in it; its speed is `round`'s. Of the rows, 4 % are sites, 32 % units and 64 % parts, two a unit.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import xlsxwriter

from nightround.bootstrap import Program
from nightround.register.changes import Report
from nightround.register.exporting import COLUMNS
from nightround.register.importing import import_file
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate

from .measure import by_turns, in_own_process

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TURNS = 3


def run(units: int = 50_000) -> dict[str, Any]:
    """Seconds of a first import of so many rows, of the floor, and of importing the same file again."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        book = folder / "fleet.xlsx"
        cells = _write(book, units)
        for name in (*map(str, range(TURNS)), "alone"):
            store = open_store(f"sqlite:///{folder / name}.db")
            migrate(store, NOW)
            store.close()
        turn = iter(range(TURNS))
        first = by_turns(lambda: _import(folder / f"{next(turn)}.db", book), lambda: _floor(book), TURNS)
        again = by_turns(lambda: _again(folder / "0.db", book, units), lambda: _floor(book), 1)
        _, peak = in_own_process(_import, folder / "alone.db", book)
        return {
            "name": "import",
            "units": units,
            "seconds": first.seconds,
            "floor_seconds": first.floor_seconds,
            "ratio": first.ratio,
            "peak_rss_mb": peak,
            "rows": units,
            "cells": cells,
            "again_seconds": again.seconds,
            "again_ratio": again.ratio,
        }


def _import(file: Path, book: Path) -> int:
    """A first import into a new database; gives how many rows went in."""
    report = _into(file, book)
    assert report.written, report.problems[:3]
    return sum(counts.added for counts in report.counts.values())


def _again(file: Path, book: Path, rows: int) -> None:
    report = _into(file, book)
    assert not report.changed_anything()
    assert sum(counts.unchanged for counts in report.counts.values()) == rows


def _into(file: Path, book: Path) -> Report:
    store = open_store(f"sqlite:///{file}")
    report = import_file(Program(load(None), store, lambda: NOW), book)
    store.close()
    return report


def _floor(book: Path) -> int:
    cells = 0
    workbook = openpyxl.load_workbook(book, read_only=True)
    for sheet in workbook:
        for row in sheet.iter_rows(values_only=True):
            cells += len(row)
    workbook.close()
    return cells


def _write(book: Path, rows: int) -> int:
    """The workbook, and how many cells it has."""
    sites = max(1, rows // 25)
    units = (rows - sites) // 3
    workbook = xlsxwriter.Workbook(str(book), {"constant_memory": True})
    day = workbook.add_format({"num_format": "yyyy-mm-dd"})
    cells = 0
    made = {
        "sites": (_site(n) for n in range(sites)),
        "units": (_unit(n, n % sites) for n in range(units)),
        "parts": (
            _part(n, n % units, ("battery", "pads-adult", "kit-razor")[n // units]) for n in range(rows - sites - units)
        ),
    }
    for table, told in made.items():
        sheet = workbook.add_worksheet(table)
        sheet.write_row(0, 0, COLUMNS[table])
        for number, row in enumerate(told, 1):
            for place, cell in enumerate(row):
                if isinstance(cell, date):
                    sheet.write_datetime(number, place, datetime(cell.year, cell.month, cell.day), day)  # noqa: DTZ001
                elif cell != "":
                    sheet.write(number, place, cell)
            cells += len(row)
    workbook.close()
    return cells


def _site(n: int) -> tuple[Any, ...]:
    where = (40 + n % 900 / 100, 5 + n % 700 / 100, "Europe/Berlin", "DE", "BE", "office", "")
    return (f"S{n:05}", f"Works {n}", f"{n} Mill Lane, Saltby", *where)


def _unit(n: int, site: int) -> tuple[Any, ...]:
    made = date(2021, 1, 1) + timedelta(days=n % 1200)
    there = (made, made + timedelta(days=60), "2.1", "", "", "indoor, unlocked", "", "", "")
    return (f"U{n:06}", f"S{site:05}", f"hall {n % 40}, left of the lift", "1", "Tarnlight Five", f"TF{n:07}", *there)


def _part(n: int, unit: int, kind: str) -> tuple[Any, ...]:
    fitted = date(2024, 6, 1) + timedelta(days=n % 700)
    label = f"{2027 + n % 2}-{1 + n % 12:02}" if n % 3 else (fitted + timedelta(days=900)).isoformat()
    return (f"U{unit:06}", "", kind, "fitted", f"L{n:06}", label, fitted, "", "95 EUR")
