"""The parts of a unit, and where it stands, are what its log says: struck, imported, in whatever order it came."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from tests.conftest import Clock
from tests.register.office import Office, write

from .base import LOG, base, dates, everything, in_it, log, strike

FITTED = "U | 2026-11-22 10:00 | fitted | P | | kind=pads-adult; lot=A2; label_date=2029-03 | | |\n"
EARLIER = "U | 2026-03-02 10:00 | fitted | P | | kind=pads-adult; lot=A1; label_date=2028-12 | | |\n"
PART_HEADING = "unit | kind | state | label_date | fitted_on | lot\n"


def test_an_imported_fitting_takes_the_place_of_the_part_on_record(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    small_office.bring(write(files, log=LOG + FITTED))
    assert dates(small_office)["pads-adult"] == ("ahead", "2029-03-31")
    before = small_office.everything()
    assert small_office.bring(files).document["changes"] == []
    assert small_office.everything() == before


@pytest.mark.parametrize("rows", [FITTED + EARLIER, EARLIER + FITTED])
def test_the_order_of_rows_is_the_order_of_time(small_office: Office, tmp_path: Path, rows: str) -> None:
    files = base(small_office, tmp_path / "files")
    small_office.bring(write(files, log=LOG + rows))
    assert [part[2] for part in in_it(small_office) if part[0] == "pads-adult"] == ["A2"]


def test_the_order_of_files_does_not_matter(small_office: Office, tmp_path: Path) -> None:
    files = tmp_path / "files"
    small_office.bring(write(files, sites="site | time_zone\nS | Europe/Paris", units="unit | site\nU | S\nV | S",
                             people="person | name\nP | Pat"))  # fmt: skip
    declared = PART_HEADING + "U | pads-adult | fitted | 2028-10 | 2025-06-01 | A\n"
    small_office.bring(write(files, log=LOG + FITTED))
    small_office.bring(write(files, parts=declared))
    small_office.bring(write(files, parts=declared.replace("U |", "V |")))
    small_office.bring(write(files, log=LOG + FITTED.replace("U |", "V |")))
    one, other = (
        small_office.rows(
            "SELECT kind, state, lot, last_good_day, fitted_on FROM parts p JOIN units u ON u.id = p.unit_id "
            f"WHERE u.unit = '{unit}' ORDER BY lot"
        )
        for unit in "UV"
    )
    assert one == other
    assert [(lot, state) for _, state, lot, *_ in one] == [("A", "removed"), ("A2", "fitted")]
    assert small_office.bring(write(files, parts=declared)).document["changes"] == []


def test_a_label_that_lasts_too_long_is_refused_in_an_imported_log_too(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    rows = FITTED.replace("2029-03", "2039-03")
    problems = small_office.run("import", write(files, log=LOG + rows)).problems()
    assert [(row, column) for _, row, column, _ in problems] == [(2, "part")]
    assert "more than 5 years" in problems[0][3]


def test_a_struck_fitting_or_removal_gives_the_state_before(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    before = everything(small_office)
    part = ("--part", "kind=pads-adult", "--part", "label_date=2029-03", "--part", "lot=A2")
    strike(small_office, log(small_office, "fitted", "2026-11-22T10:00", *part))
    assert everything(small_office) == before
    strike(small_office, log(small_office, "removed", "2026-11-23T10:00", "--part", "kind=battery"))
    assert everything(small_office) == before


def test_a_used_up_spare_comes_back(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    spare = PART_HEADING + "U | battery | spare | 2031-06 | | X\n"
    small_office.bring(write(files, parts=spare))
    before = in_it(small_office)
    fitted = log(small_office, "fitted", "2026-11-22T10:00", "--part", "kind=battery", "--part", "lot=X")
    assert ("battery", "fitted", "X", "2031-06", "2031-06-30", "2026-11-22", "", 0) in in_it(small_office)
    strike(small_office, fitted)
    assert in_it(small_office) == before


def test_a_correction_in_a_file_stays_with_the_part_that_the_log_fitted(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    before = in_it(small_office)
    part = ("--part", "kind=pads-adult", "--part", "label_date=2029-03", "--part", "lot=A2")
    entry = log(small_office, "fitted", "2026-11-22T10:00", *part)
    corrected = PART_HEADING + "U | pads-adult | fitted | 2029-01 | 2026-11-22 | A2\n"
    small_office.bring(write(files, parts=corrected))
    log(small_office, "check", "2026-11-23T10:00", "--reading", "self-test=ok")
    assert dates(small_office)["pads-adult"] == ("ahead", "2029-01-31")
    assert small_office.bring(files).document["changes"] == []
    strike(small_office, entry)
    assert in_it(small_office) == before


def test_an_export_in_another_place_is_the_log_there(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    part = ("--part", "kind=pads-adult", "--part", "label_date=2029-03", "--part", "lot=A2")
    log(small_office, "fitted", "2026-11-22T10:00", *part)
    entry = log(small_office, "fitted", "2026-11-23T10:00", *part[:-1], "lot=A3")
    small_office.run("export", tmp_path / "out")
    assert small_office.bring(tmp_path / "out").document["changes"] == []
    assert small_office.run("setup", tmp_path / "other").status == 0
    elsewhere = ("--config", tmp_path / "other" / "nightround.toml")
    assert small_office.run(*elsewhere, "import", tmp_path / "out").status == 0
    for where in ((), elsewhere):
        answer = small_office.run(*where, "strike", str(entry), "--why", "wrong", "--by", "P")
        assert "pads-adult, lot A2, good to 2029-03-31" in answer.err


MOVES = (
    "U | 2026-11-20 10:00 | moved | P | site=T; spot=gate | | | |\n",
    "U | 2026-11-22 10:00 | moved | P | site=K | | | |\n",
    "U | 2026-11-23 10:00 | moved | P | spot=office | | | |\n",
)


def _stands(office: Office) -> list[tuple[object, ...]]:
    return office.rows("SELECT site, spot, floor FROM units JOIN sites ON sites.id = units.site_id")


@pytest.mark.parametrize("rows", list(itertools.permutations(MOVES))[::2])
def test_imported_moves_move_the_unit_in_the_order_of_time(
    small_office: Office, tmp_path: Path, rows: tuple[str, ...]
) -> None:
    files = base(small_office, tmp_path / "files", log=LOG + "".join(rows))
    assert _stands(small_office) == [("K", "office", "")]
    assert small_office.rows("SELECT count(*) FROM log WHERE entry = 'moved'") == [(3,)]
    froms = small_office.rows("SELECT json_extract(readings, '$.from') FROM log ORDER BY at")
    assert froms == [("S",), ("T",), ("K",)]
    before = small_office.everything()
    assert small_office.bring(files).document["changes"] == []
    assert small_office.everything() == before


def test_a_move_in_a_later_file_moves_the_unit_and_its_strike_moves_it_back(
    small_office: Office, tmp_path: Path
) -> None:
    files = base(small_office, tmp_path / "files")
    small_office.bring(write(files, log=LOG + MOVES[0].replace("| | |\n", "| 1 |\n").replace("| | 1 |", "| | 1 |")))
    assert _stands(small_office) == [("T", "gate", "")]
    [(entry,)] = small_office.rows("SELECT id FROM log")
    strike(small_office, entry)
    assert _stands(small_office) == [("S", "", "")]


def test_a_struck_move_leaves_the_unit_where_the_others_put_it(small_office: Office, tmp_path: Path) -> None:
    base(small_office, tmp_path / "files")
    later = log(small_office, "moved", "2026-11-22T10:00", "--to", "K")
    log(small_office, "moved", "2026-11-20T10:00", "--to", "T", "--spot", "gate")  # written down late
    assert _stands(small_office) == [("K", "", "")]
    strike(small_office, later)
    assert _stands(small_office) == [("T", "gate", "")]


def test_a_units_sheet_that_tells_of_another_place_is_the_news(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files", log=LOG + MOVES[0])
    small_office.bring(write(files, units="unit | site\nU | K", log=LOG + MOVES[0]))
    assert _stands(small_office)[0][0] == "K"


def test_a_move_to_nowhere_is_a_problem(small_office: Office, tmp_path: Path) -> None:
    files = base(small_office, tmp_path / "files")
    rows = "U | 2026-11-20 10:00 | moved | P | site=NOWHERE | | | |\n"
    problems = small_office.run("import", write(files, log=LOG + rows)).problems()
    assert [(row, column) for _, row, column, _ in problems] == [(2, "readings")]


def test_a_part_fitted_where_it_was_a_day_later_comes_through_an_export(
    small_office: Office, tmp_path: Path, clock: Clock
) -> None:
    base(small_office, tmp_path / "files")
    clock.forward(hours=4)  # Thursday there, and Wednesday in Europe
    log(small_office, "moved", "2026-11-24T10:00", "--to", "K")
    part = ("--part", "kind=pads-adult", "--part", "label_date=2029-03", "--part", "lot=A2")
    log(small_office, "fitted", "2026-11-26T00:30+14:00", *part)
    log(small_office, "moved", "2026-11-25T12:30Z", "--to", "T")
    assert ("pads-adult", "2026-11-26") in [(part[0], part[5]) for part in in_it(small_office)]
    small_office.run("export", tmp_path / "out")
    before = small_office.everything()
    assert small_office.bring(tmp_path / "out").document["changes"] == []
    assert small_office.everything() == before
    assert small_office.run("setup", tmp_path / "other").status == 0
    elsewhere = ("--config", tmp_path / "other" / "nightround.toml")
    answer = small_office.run(*elsewhere, "import", tmp_path / "out")
    assert (answer.status, answer.problems()) == (0, [])
    small_office.run(*elsewhere, "export", tmp_path / "again")
    for table in ("parts", "units", "log"):
        one, other = ((tmp_path / name / f"{table}.csv").read_text() for name in ("out", "again"))
        assert sorted(one.splitlines()) == sorted(other.splitlines())
