"""Absences and closures as files tell of them: both days count in, and what is left out stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.register.office import Office, write

from .test_people import HEADING, SITES

PEOPLE = HEADING + "ada | Ada | | on-call | |\n"
ABSENCES = (
    "person | from | until | note\nada | 2026-12-21 | 2027-01-03 | Ben stands in\nada | 2027-02-01 | 2027-02-01 |\n"
)
CLOSURES = (
    "site | from | until | every year | reason\nMILL | 2026-12-21 | 2027-01-03 | | winter break\n"
    "HALL | 2026-10-15 | 2027-03-31 | yes | summer hall\n"
)


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES, people=PEOPLE, absences=ABSENCES, closures=CLOSURES))
    return folder


def _absences(office: Office) -> list[tuple[str, str, str]]:
    rows = office.rows(
        "SELECT from_on, until_on, note FROM absences a JOIN people p ON p.id = a.person_id ORDER BY from_on"
    )
    return [(str(first), str(last), note) for first, last, note in rows]


def test_days_are_kept_as_told_and_the_same_file_twice_changes_nothing(office: Office, folder: Path) -> None:
    assert _absences(office) == [("2026-12-21", "2027-01-03", "Ben stands in"), ("2027-02-01", "2027-02-01", "")]
    rows = office.rows(
        "SELECT site, from_on, until_on, every_year, reason FROM closures c JOIN sites s ON s.id = c.site_id "
        "ORDER BY site"
    )
    assert [(site, str(first), str(last), bool(yearly), why) for site, first, last, yearly, why in rows] == [
        ("HALL", "2026-10-15", "2027-03-31", True, "summer hall"),
        ("MILL", "2026-12-21", "2027-01-03", False, "winter break"),
    ]
    before = office.everything()
    answer = office.bring(folder)
    assert answer.counts("absences") == (0, 0, 2, 0)
    assert answer.counts("closures") == (0, 0, 2, 0)
    assert office.everything() == before


def test_another_last_day_changes_the_record_and_one_left_out_stays_and_is_named(office: Office, folder: Path) -> None:
    moved = "person | from | until\nada | 2026-12-21 | 2027-01-10\n"
    answer = office.bring(write(folder, absences=moved))
    assert answer.changes() == [("ada from 2026-12-21", "until_on", "2027-01-03", "2027-01-10")]
    assert answer.missing() == ["absences: ada from 2027-02-01"]
    assert any("take it out with: nightround away" in remark for remark in answer.document["remarks"])
    # A column that is not there says nothing of what is on record.
    assert _absences(office)[0] == ("2026-12-21", "2027-01-10", "Ben stands in")


def test_a_closure_without_a_last_day_stands_until_it_is_taken_out(office: Office, folder: Path) -> None:
    office.bring(write(folder, closures="site | from | until\nMILL | 2026-12-21 |\n"))
    rows = office.rows("SELECT until_on, reason FROM closures WHERE reason = 'winter break'")
    assert rows == [(None, "winter break")]


@pytest.mark.parametrize(
    ("table", "row", "column", "cure"),
    [
        ("absences", "ada | 2026-12-21 | 2026-12-20 |", "until", "lies before the first"),
        ("absences", "ada | 2026-12-21 | 2036-12-20 |", "until", "longer than two years"),
        ("absences", "bob | 2026-12-21 | 2026-12-22 |", "person", "no person has this code"),
        ("absences", "ada | 2026-12-21 | |", "until", "is empty"),
        ("absences", "ada | 2026-12-21 | 2027-01-03 |\nada | 2026-12-21 | 2027-01-04 |", "from", "stands in row 2 too"),
        ("closures", "MILL | 2026-12-21 | 2026-12-20 | |", "until", "lies before the first"),
        ("closures", "MILL | 2026-12-21 | | yes |", "until", "needs its last day"),
        ("closures", "MILL | 2026-12-21 | 2027-12-21 | yes |", "until", "a year or more"),
        ("closures", "MALL | 2026-12-21 | 2026-12-22 | |", "site", "MILL"),
        ("closures", "MILL | 2026-12-21 | 2026-12-22 | perhaps |", "every year", "neither yes nor no"),
    ],
)
def test_what_cannot_be_is_refused_with_row_and_column_and_nothing_is_written(
    office: Office, folder: Path, table: str, row: str, column: str, cure: str
) -> None:
    before = office.everything()
    heading = {"absences": ABSENCES, "closures": CLOSURES}[table].split("\n")[0]
    answer = office.run("import", write(folder, **{table: f"{heading}\n{row}\n"}))
    assert answer.status == 2
    found = answer.problems()
    assert [problem[0] for problem in found] == [f"{table}.csv"]
    assert found[0][2] == column and cure in found[0][3]
    assert office.everything() == before


def test_sheets_and_headings_are_known_in_other_words(office: Office, folder: Path) -> None:
    office.bring(
        write(folder, urlaub="Kürzel | erster Tag | letzter Tag | Grund\nada | 2027-07-01 | 2027-07-14 | See\n")
    )
    assert ("2027-07-01", "2027-07-14", "See") in _absences(office)


@pytest.mark.parametrize(
    "told",
    [
        ("away", "ada", "--from", "9999-12-31", "--until", "9999-12-31"),
        ("close-site", "MILL", "--from", "9999-06-01", "--until", "9999-12-31", "--every-year", "--why", "pool"),
        ("close-site", "MILL", "--from", "2026-12-01", "--until", "9999-12-31", "--why", "pool"),
    ],
)
def test_a_day_at_the_end_of_the_calendar_is_refused_in_a_sentence(
    office: Office, folder: Path, told: tuple[str, ...]
) -> None:
    answer = office.say(*told)
    assert answer.status == 2 and "is too far off; correct the year" in answer.err
