"""Parts have no code of their own: a correction updates the one that is there, and no file undoes the log."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.register.office import Office, write

SITES = "site | name | time_zone | country\nMILL | Saltby Mill | Europe/London | GB\nHALL | Hall | Europe/London | GB"
UNITS = "unit | site | made_on | in_service_on\nU1 | MILL | 2022-03-01 | 2022-05-02\nU2 | HALL | |"
PEOPLE = "person | name | roles | sites\nben | Ben Sorrel | site-contact | MILL"
HEADING = "unit | site | kind | state | lot | label_date | fitted_on | cost\n"


@pytest.fixture
def folder(office: Office, tmp_path: Path) -> Path:
    """A register of two units without parts."""
    folder = tmp_path / "files"
    office.bring(write(folder, sites=SITES, units=UNITS, people=PEOPLE))
    return folder


def _held(office: Office) -> list[tuple[str, ...]]:
    """Owner, kind, state, lot, label date and day fitted of every part, sorted."""
    rows = office.rows(
        "SELECT unit, site, kind, state, lot, label_date, fitted_on FROM parts p LEFT JOIN units u ON u.id = p.unit_id"
        " LEFT JOIN sites s ON s.id = p.site_id"
    )
    return sorted((unit or site, *said, str(fitted or "")) for unit, site, *said, fitted in rows)


def test_a_corrected_date_updates_the_part_that_is_fitted(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | 2027-06 | 2022-05-02 |"))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | 2026-06 | 2022-05-02 |"))
    assert answer.changes() == [("U1 battery fitted, lot B1", "label_date", "2027-06", "2026-06")]
    assert _held(office) == [("U1", "battery", "fitted", "B1", "2026-06", "2022-05-02")]
    assert [str(day) for (day,) in office.rows("SELECT last_good_day FROM parts")] == ["2026-06-30"]
    duty = next(duty for duty in office.run("duties", "--unit", "U1").document if duty["kind"] == "battery")
    assert (duty["last_good_day"], duty["standing"]) == ("2026-06-30", "overdue")


def test_a_corrected_lot_updates_the_part_that_is_fitted(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | 2027-06 | |"))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B2 | 2028-06 | |"))
    assert answer.counts("parts") == (0, 1, 0, 0)
    assert [row[3:5] for row in _held(office)] == [("B2", "2028-06")]


def test_of_two_spares_the_one_that_is_the_same_stays_and_the_other_is_corrected(office: Office, folder: Path) -> None:
    spares = "U1 | | battery | spare | B1 | 2027-06 | |\nU1 | | battery | spare | B2 | 2028-06 | |\n"
    office.bring(write(folder, parts=HEADING + spares))
    swapped = "U1 | | battery | spare | B2 | 2028-06 | |\nU1 | | battery | spare | B1 | 2027-09 | |\n"
    answer = office.bring(write(folder, parts=HEADING + swapped))
    assert answer.changes() == [("U1 battery spare, lot B1", "label_date", "2027-06", "2027-09")]
    assert [row[3:5] for row in _held(office)] == [("B1", "2027-09"), ("B2", "2028-06")]


def test_spares_that_are_alike_are_as_many_as_the_file_has(office: Office, folder: Path) -> None:
    three = HEADING + " | MILL | battery | spare | B1 | 2029-06 | |\n" * 3
    assert office.bring(write(folder, parts=three)).counts("parts") == (3, 0, 0, 0)
    assert office.bring(write(folder, parts=three)).counts("parts") == (0, 0, 3, 0)
    two = HEADING + " | MILL | battery | spare | B1 | 2029-06 | |\n" * 2
    assert office.bring(write(folder, parts=two)).counts("parts") == (0, 0, 2, 1)
    assert len(_held(office)) == 3


def test_a_spare_that_is_fitted_takes_the_place_of_the_one_before(office: Office, folder: Path) -> None:
    before = "U1 | | battery | fitted | B1 | 2026-06 | 2022-05-02 |\nU1 | | battery | spare | B2 | 2030-06 | |\n"
    office.bring(write(folder, parts=HEADING + before))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B2 | 2030-06 | 2026-11-20 |\n"))
    assert answer.changes() == [
        ("U1 battery spare, lot B2", "state", "spare", "fitted"),
        ("U1 battery spare, lot B2", "fitted_on", "", "2026-11-20"),
        ("U1 battery fitted, lot B1", "state", "fitted", "removed"),
    ]
    assert _held(office) == [
        ("U1", "battery", "fitted", "B2", "2030-06", "2026-11-20"),
        ("U1", "battery", "removed", "B1", "2026-06", "2022-05-02"),
    ]


def test_two_parts_that_change_places_are_one_fitted_and_one_spare(
    office: Office, folder: Path, tmp_path: Path
) -> None:
    one = "U1 | | battery | {} | B1 | 2028-06 | {} |\nU1 | | battery | {} | B2 | 2030-06 | {} |\n"
    office.bring(write(folder, parts=HEADING + one.format("fitted", "2022-05-02", "spare", "")))
    office.bring(write(folder, parts=HEADING + one.format("spare", "", "fitted", "2026-11-20")))
    assert _held(office) == [
        ("U1", "battery", "fitted", "B2", "2030-06", "2026-11-20"),
        ("U1", "battery", "spare", "B1", "2028-06", ""),
    ]
    assert office.bring(folder).counts("parts") == (0, 0, 2, 0)
    office.run("export", tmp_path / "out")
    assert office.bring(tmp_path / "out").counts("parts") == (0, 0, 2, 0)


def test_a_part_said_to_be_removed_is_removed_and_kept(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + "U1 | | battery | spare | B2 | 2030-06 | |\n"))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | removed | B2 | 2030-06 | |\n"))
    assert answer.changes() == [("U1 battery spare, lot B2", "state", "spare", "removed")]
    assert [row[2] for row in _held(office)] == ["removed"]
    assert office.bring(folder).counts("parts") == (0, 0, 1, 0)


def test_a_file_older_than_the_log_does_not_bring_back_what_was_taken_off(office: Office, folder: Path) -> None:
    written = "U1 | | battery | fitted | B1 | 2026-06 | 2022-05-02 |\nU1 | | battery | spare | B2 | 2030-06 | |\n"
    office.bring(write(folder, parts=HEADING + written))
    part = ("--part", "kind=battery", "--part", "lot=B2", "--part", "label_date=2030-06")
    assert office.run("log", "U1", "fitted", "--by", "ben", *part).status == 0
    held = _held(office)
    assert [row[2:4] for row in held] == [("fitted", "B2"), ("removed", "B1")]
    answer = office.bring(folder)
    assert answer.document["changes"] == []
    assert _held(office) == held
    remarks = [remark for remark in answer.document["remarks"] if "left as it is" in remark]
    assert len(remarks) == 2
    assert "lot B1" in remarks[0] and "removed" in remarks[0]
    assert "lot B2" in remarks[1] and "fitted" in remarks[1]


def test_a_new_part_that_the_log_does_not_know_comes_from_the_file_all_the_same(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + "U1 | | pads-adult | fitted | P1 | 2026-06 | 2024-05-02 |\n"))
    part = ("--part", "kind=pads-adult", "--part", "lot=P2", "--part", "label_date=2028-06")
    assert office.run("log", "U1", "fitted", "--by", "ben", *part).status == 0
    answer = office.bring(write(folder, parts=HEADING + "U1 | | pads-adult | fitted | P3 | 2028-09 | 2026-11-25 |\n"))
    assert ("U1 pads-adult fitted, lot P2", "lot", "P2", "P3") in answer.changes()
    assert [row[2:4] for row in _held(office)] == [("fitted", "P3"), ("removed", "P1")]


def test_two_of_a_kind_cannot_be_fitted_in_one_unit(office: Office, folder: Path) -> None:
    twice = "U1 | | battery | fitted | B1 | 2026-06 | |\nU1 | | battery | fitted | B2 | 2030-06 | |\n"
    answer = office.run("import", write(folder, parts=HEADING + twice))
    assert [problem[:3] for problem in answer.problems()] == [("parts.csv", 3, "state")]
    assert "row 2" in answer.problems()[0][3]
    kit = "U1 | | kit-gloves | fitted | G1 | | |\nU1 | | kit-gloves | fitted | G2 | | |\n"
    assert office.bring(write(folder, parts=HEADING + kit)).counts("parts") == (2, 0, 0, 0)


def test_the_same_label_written_otherwise_is_no_change(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | June 2027 | |\n"))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | 2027-06-30 | |\n"))
    assert answer.document["changes"] == []
    assert [row[4] for row in _held(office)] == ["June 2027"]


def test_the_parts_of_a_units_sheet_speak_for_their_own_kind_only(office: Office, folder: Path) -> None:
    both = "U1 | | battery | fitted | B1 | 2027-06 | |\nU1 | | pads-adult | fitted | P1 | 2027-06 | |\n"
    office.bring(write(folder, parts=HEADING + both + "U1 | | battery | spare | B2 | 2028-06 | |\n"))
    answer = office.bring(write(folder, units="unit | site | battery expiry\nU1 | MILL | 2027-07\nU2 | HALL | 2029-01"))
    assert answer.changes() == [("U1 battery fitted, lot B1", "label_date", "2027-06", "2027-07")]
    assert answer.missing() == []
    assert office.run("duties", "--unit", "U2").status == 0
    assert ("U2", "battery", "fitted", "", "2029-01", "") in _held(office)


def test_a_spare_is_kept_by_a_unit_or_a_site_and_a_fitted_part_is_in_a_unit(office: Office, folder: Path) -> None:
    rows = (
        " | MILL | battery | fitted | B1 | 2027-06 | |\n"
        "U1 | HALL | battery | fitted | B1 | 2027-06 | |\n"
        " | HULL | battery | spare | B1 | 2027-06 | |\n"
        "U9 | | battery | spare | B1 | 2027-06 | |\n"
        " | | battery | spare | B1 | 2027-06 | |\n"
    )
    problems = office.run("import", write(folder, parts=HEADING + rows)).problems()
    assert [(row, column) for _, row, column, _ in problems] == [
        (2, "state"), (3, "site"), (4, "site"), (5, "unit"), (6, "unit")
    ]  # fmt: skip
    assert "MILL" in problems[1][3]
    assert "did you mean HALL?" in problems[2][3]


def test_a_spare_of_a_site_is_reckoned_with_the_site(office: Office, folder: Path) -> None:
    office.bring(write(folder, parts=HEADING + " | MILL | battery | spare | B1 | 2026-06 | |\n"))
    duties = office.run("duties", "--site", "MILL").document
    spare = [duty for duty in duties if duty["last_good_day"] == "2026-06-30"]
    assert [duty["standing"] for duty in spare] == ["overdue"]


def test_a_part_whose_only_row_is_gone_is_missed(office: Office, folder: Path) -> None:
    both = "U1 | | battery | fitted | B1 | 2027-06 | |\nU2 | | battery | fitted | B2 | 2027-06 | |\n"
    office.bring(write(folder, parts=HEADING + both + " | HALL | battery | spare | B3 | 2028-06 | |\n"))
    answer = office.bring(write(folder, parts=HEADING + "U1 | | battery | fitted | B1 | 2027-06 | |\n"))
    assert answer.missing() == ["parts: U2 battery fitted, lot B2", "parts: HALL battery spare, lot B3"]
    # Of a unit that is missing itself its parts are not missed one by one.
    answer = office.bring(
        write(folder, units="unit | site\nU1 | MILL", parts=HEADING + "U1 | | battery | fitted | B1 | 2027-06 | |")
    )
    assert answer.missing() == ["units: U2", "parts: HALL battery spare, lot B3"]


def test_an_empty_cell_does_not_wipe_the_date_of_a_part_that_the_log_fitted_since(office: Office, folder: Path) -> None:
    undated = write(folder, units="unit | site | battery expiry\nU1 | MILL |\nU2 | HALL | 2029-01")
    office.bring(undated)
    part = ("--part", "kind=battery", "--part", "label_date=2031-05")
    assert office.run("log", "U1", "fitted", "--by", "ben", *part).status == 0
    held = _held(office)
    answer = office.bring(undated)
    assert answer.document["changes"] == []
    assert _held(office) == held
