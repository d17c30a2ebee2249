"""Monthly temperatures of a site: from a file to the register, and out again unchanged, on both databases."""

from __future__ import annotations

import csv
from pathlib import Path

from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.register.exporting import export
from nightround.register.importing import import_file
from nightround.store.tables import sites

YEAR = "-2;0.5;4;8,5;13;16;18;18;14;9;4;1"
KEPT = "-2;0.5;4;8.5;13;16;18;18;14;9;4;1"


def sheet(folder: Path, celsius: str) -> Path:
    file = folder / "sites.csv"
    with file.open("w", encoding="utf-8", newline="") as out:
        rows = [["site", "name", "time_zone", "monthly_celsius"], ["MILL", "Old Mill", "Europe/Berlin", celsius]]
        csv.writer(out).writerows(rows)
    return file


def kept(program: Program) -> str:
    with program.store.read() as conn:
        return str(conn.execute(select(sites.c.monthly_celsius)).scalar_one())


def test_they_are_kept_compared_and_exported(program: Program, tmp_path: Path) -> None:
    assert import_file(program, sheet(tmp_path, YEAR)).written
    assert kept(program) == KEPT
    again = import_file(program, sheet(tmp_path, YEAR))
    assert again.counts["sites"].as_dict() == {"added": 0, "changed": 0, "unchanged": 1, "missing": 0}
    export(program, tmp_path / "out", lambda done, total: None)
    out = import_file(program, tmp_path / "out" / "sites.csv")
    assert (out.problems, out.counts["sites"].unchanged) == ([], 1)
    import_file(program, sheet(tmp_path, ""))
    assert kept(program) == ""


def test_a_cell_that_is_not_twelve_numbers_stops_the_import(program: Program, tmp_path: Path) -> None:
    (problem,) = import_file(program, sheet(tmp_path, "12;13")).problems
    assert problem.column == "monthly_celsius"
    assert "twelve numbers" in problem.cure
    with program.store.read() as conn:
        assert not conn.execute(select(sites.c.id)).all()
