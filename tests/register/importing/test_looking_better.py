"""Nothing is dropped by an import that would let a unit look better than the file says."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.conftest import Clock
from tests.register.office import Answer, Office, write
from tests.register.reading.build import xlsx_file

SITES = """
site | name      | time_zone     | country
MILL | Mill Lane | Europe/Berlin | DE
"""


def _units(folder: Path, *lines: str, **tables: str) -> Path:
    return write(folder, sites=SITES, units="\n".join(lines), **tables)


def _condition(office: Office, unit: str) -> str:
    query = f"SELECT condition FROM conditions JOIN units ON units.id = conditions.unit_id WHERE unit = '{unit}'"
    return str(office.rows(query)[0][0])


def _refusal(office: Office, path: Path) -> Answer:
    """Refused with and without --check, and nothing was written."""
    before = office.everything()
    looked = office.run("import", path, "--check")
    assert looked.status == 3, looked.out
    assert office.run("import", path).status == 2
    assert office.everything() == before
    return looked


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("Elektroden MHD", "31.05.2027"),
        ("Elektroden MHD", "2027-05"),
        ("Verf.", "03/04/2027"),  # a date, whatever its order
        ("Verf.", "05/27"),
        ("Akku Ende", "46507"),  # a spreadsheet's bare day
        ("", "2027-05-31"),
    ],
)
def test_dates_under_a_heading_that_nobody_knows_are_a_problem(
    heading: str, cell: str, small_office: Office, tmp_path: Path
) -> None:
    files = _units(tmp_path / "files", f"unit | site | {heading} | colour", f"U1 | MILL | {cell} | red")
    ((where, row, column, cure),) = _refusal(small_office, files).problems()
    assert (where, row) == ("units.csv", 1)
    assert column == (heading or "C (without a heading)")
    assert "pads expiry" in cure and "--mapping FILE" in cure


def test_date_cells_of_a_workbook_are_dates_too(small_office: Office, tmp_path: Path) -> None:
    rows = [["unit", "site", "Verf. 1", "Verf. 2"], ["U1", "MILL", date(2027, 5, 31), None], ["U2", "MILL", None, None]]
    path = xlsx_file(tmp_path / "b.xlsx", {"units": rows, "sites": [["site"], ["MILL"]]})
    assert [column for _, _, column, _ in _refusal(small_office, path).problems()] == ["Verf. 1"]


def test_what_a_mapping_says_cures_it(small_office: Office, tmp_path: Path) -> None:
    files = _units(tmp_path / "files", "unit | site | Elektroden MHD | Kauf", "U1 | MILL | 2027-05-31 | 2024-01-02")
    assert small_office.run("import", files).problems()[0][2] == "Elektroden MHD, Kauf"
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[units]\n"Elektroden MHD" = "parts.pads-adult.label_date"\n"Kauf" = ""\n', "utf-8")
    small_office.bring(files, "--mapping", str(mapping))
    assert small_office.rows("SELECT kind, label_date FROM parts") == [("pads-adult", "2027-05-31")]
    mapping.write_text('[units]\n"Elektroden MHD" = ""\n"Kauf" = ""\n', "utf-8")
    small_office.bring(files, "--mapping", str(mapping))


def test_other_dates_do_not_disturb_where_pads_and_batteries_have_theirs(small_office: Office, tmp_path: Path) -> None:
    head = "unit | site | pads expiry | battery expiry | bought"
    small_office.bring(_units(tmp_path / "files", head, "U1 | MILL | 2027-05 | 2029-01 | 2024-01-02"))


@pytest.mark.parametrize(
    ("known", "heading", "refused"),
    [
        ("pads expiry", "Akku Ende", True),  # of batteries the file says nothing else
        ("battery expiry", "Pads Ende", True),
        ("pads expiry", "Kinderpads haltbar", True),
        ("pads expiry", "Akku bestellt", True),
        ("pads expiry", "Kauf", False),
    ],
)
def test_dates_of_one_part_do_not_stand_for_those_of_the_other(
    known: str, heading: str, refused: bool, small_office: Office, tmp_path: Path
) -> None:
    files = _units(tmp_path / "files", f"unit | site | {known} | {heading}", "U1 | MILL | 2027-05 | 2029-01-31")
    assert small_office.run("import", files, "--check").status == (3 if refused else 0)


def test_a_file_without_any_dates_goes_on_importing(small_office: Office, tmp_path: Path) -> None:
    small_office.bring(_units(tmp_path / "files", "unit | site | colour | number", "U1 | MILL | red | 46507"))


def test_dates_in_a_sheet_that_is_passed_over_are_a_problem(small_office: Office, tmp_path: Path) -> None:
    sheets = {
        "sites": [["site"], ["MILL"]],
        "units": [["unit", "site"], ["U1", "MILL"]],
        "Verfallsliste": [["unit", "Elektroden"], ["U1", date(2027, 5, 31)]],
    }
    ((where, _, _, cure),) = _refusal(small_office, xlsx_file(tmp_path / "b.xlsx", sheets)).problems()
    assert where == "Verfallsliste"
    assert "name it 'parts'" in cure


def test_a_sheet_of_parts_whose_dates_are_under_another_heading_is_a_problem(
    small_office: Office, tmp_path: Path
) -> None:
    parts = "unit | kind | Verw. bis\nU1 | battery | 2027-05"
    files = _units(tmp_path / "files", "unit | site", "U1 | MILL", parts=parts)
    ((where, row, column, cure),) = _refusal(small_office, files).problems()
    assert (where, row, column) == ("parts.csv", 1, "Verw. bis")
    assert "label_date" in cure


@pytest.mark.parametrize(
    ("heading", "cell", "entry"),
    [
        ("Status", "out of service", "withdrawn"),
        ("Status", "Out of service, at the workshop", "withdrawn"),
        ("condition", "removed", "withdrawn"),
        ("in service", "no", "withdrawn"),
        ("Zustand", "außer Betrieb", "withdrawn"),
        ("Zustand", "ausser Betrieb seit Montag", "withdrawn"),
        ("einsatzbereit", "nein", "withdrawn"),
        ("État", "hors service", "withdrawn"),
        ("en service", "non", "withdrawn"),
        ("Status", "Defekt", "fault"),
        ("statut", "en panne", "fault"),
        ("Status", "broken", "fault"),
        ("稼働状況", "使用停止", "withdrawn"),
        ("withdrawn", "yes", "withdrawn"),
        ("ausgemustert", "x", "withdrawn"),
        ("out of service", "glass gone", "withdrawn"),
    ],
)
def test_a_unit_that_is_out_of_service_by_the_file_is_so_here(
    heading: str, cell: str, entry: str, small_office: Office, tmp_path: Path, clock: Clock
) -> None:
    files = _units(
        tmp_path / "files", f"unit | site | {heading}", f"U1 | MILL | {cell.replace(',', ' ')}", "U2 | MILL |"
    )
    answer = small_office.bring(files)
    assert small_office.rows("SELECT unit, entry FROM log JOIN units ON units.id = log.unit_id") == [("U1", entry)]
    assert any("out of service by this file" in remark for remark in answer.document["remarks"])
    wanted = {"withdrawn": "withdrawn", "fault": "not to be relied on"}[entry]
    assert (_condition(small_office, "U1"), _condition(small_office, "U2")) == (wanted, "no evidence")
    # The same file again changes nothing.
    before = small_office.everything()
    clock.forward(days=3)
    small_office.bring(files)
    assert small_office.everything() == before


def test_it_is_dated_as_the_file_says(office: Office, tmp_path: Path, clock: Clock) -> None:
    lines = (
        "unit | site | withdrawn on | status",
        "U1 | MILL | 2026-03-01 |",
        "U2 | MILL | | out of service since 2026-04-02",
    )
    files = _units(tmp_path / "files", *lines)
    office.bring(files)
    dates = office.rows("SELECT unit, withdrawn_on FROM evidence JOIN units ON units.id = unit_id ORDER BY unit")
    assert [(unit, str(day)) for unit, day in dates] == [("U1", "2026-03-01"), ("U2", "2026-04-02")]
    # Whoever puts it back into service is believed: the day in the file is over then.
    office.run("import", _units(tmp_path / "more", "unit | site", "U1 | MILL", people="person | name\nada | Ada"))
    assert office.run("log", "U1", "returned", "--by", "ada").status == 0
    before = office.everything()
    office.bring(files)
    assert office.everything() == before
    later = _units(tmp_path / "later", lines[0], "U1 | MILL | 2027-03-01 |")
    assert "lies in the future" in _refusal(office, later).problems()[0][3]


def test_the_log_of_the_same_file_says_it_already(office: Office, tmp_path: Path) -> None:
    log = """
    unit | at         | entry     | by
    U1   | 2026-10-01 | withdrawn | ada
    U2   | 2026-10-01 | withdrawn | ada
    U2   | 2026-10-05 | returned  | ada
    """
    lines = ("unit | site | status", "U1 | MILL | out of service", "U2 | MILL | out of service")
    office.bring(_units(tmp_path / "files", *lines, log=log, people="person | name\nada | Ada"))
    entries = office.rows("SELECT unit, entry FROM log JOIN units ON units.id = log.unit_id ORDER BY log.id")
    assert entries.count(("U1", "withdrawn")) == 1
    assert entries[-1] == ("U2", "withdrawn")
    assert (_condition(office, "U1"), _condition(office, "U2")) == ("withdrawn", "withdrawn")


@pytest.mark.parametrize(
    ("heading", "cell"),
    [("status", "OK"), ("Zustand", "einsatzbereit"), ("État", "en service"), ("in service", "yes"), ("status", ""),
     ("withdrawn", "no"), ("withdrawn", "-"), ("status", "in service since 2024-01-01")],
)  # fmt: skip
def test_good_news_is_not_written(heading: str, cell: str, small_office: Office, tmp_path: Path) -> None:
    small_office.bring(_units(tmp_path / "files", f"unit | site | {heading}", f"U1 | MILL | {cell}"))
    assert small_office.rows("SELECT * FROM log") == []
    assert _condition(small_office, "U1") == "no evidence"


def test_a_status_that_nobody_understands_is_a_problem(small_office: Office, tmp_path: Path) -> None:
    files = _units(tmp_path / "files", "unit | site | status", "U1 | MILL | amber")
    ((where, row, column, cure),) = _refusal(small_office, files).problems()
    assert (where, row, column) == ("units.csv", 2, "status")
    assert "not understood" in cure and "--mapping FILE" in cure


def test_bad_news_under_a_heading_that_nobody_knows_is_a_problem(small_office: Office, tmp_path: Path) -> None:
    files = _units(tmp_path / "files", "unit | site | Vermerk", "U1 | MILL | defekt", "U2 | MILL | rot")
    ((where, row, column, cure),) = _refusal(small_office, files).problems()
    assert (where, row, column) == ("units.csv", 1, "Vermerk")
    assert "'status'" in cure


@pytest.mark.parametrize(
    ("heading", "cell"), [("Ergebnis", "n.i.O."), ("result", "failed"), ("bestanden", "nein"), ("OK", "no")]
)
def test_a_check_that_failed_does_not_come_in_as_a_good_one(
    heading: str, cell: str, small_office: Office, tmp_path: Path
) -> None:
    log = f"unit | at | entry | by | {heading}\nU1 | 2026-10-01 | check | ada | {cell}"
    files = _units(tmp_path / "files", "unit | site", "U1 | MILL", log=log, people="person | name\nada | Ada")
    ((where, row, column, cure),) = _refusal(small_office, files).problems()
    assert (where, row, column) == ("log.csv", 1, heading)
    assert "self-test=fault" in cure


def test_a_public_register_is_believed_when_a_unit_is_out_of_service(small_office: Office, tmp_path: Path) -> None:
    head = "gid;c_nom;c_lat_coor1;c_long_coor1;c_com_cp;c_com_insee;c_com_nom;c_etat_fonct;c_maj_don\n"
    rows = "1;Mairie;45.1;5.1;38000;38185;Gières;hors service;2026-01-02\n"
    rows += "2;École;45.2;5.2;38000;38185;Gières;en fonctionnement;2026-01-02\n"
    path = tmp_path / "extract.csv"
    path.write_text(head + rows + "3;Gare;45.3;5.3;38000;38185;Gières;inconnu;2026-01-02\n", "utf-8")
    small_office.bring(path)
    assert _condition(small_office, "extract-1") == "withdrawn"
    assert _condition(small_office, "extract-2") == _condition(small_office, "extract-3") == "no evidence"
    (notes,) = small_office.rows("SELECT notes FROM units WHERE unit = 'extract-1'")
    assert "c_etat_fonct: hors service" in notes[0]


def test_the_same_word_again_takes_no_unit_back_out_of_service_and_is_not_passed_over(
    small_office: Office, tmp_path: Path
) -> None:
    """Importing the file a second time withdrew a unit that a person had logged as returned."""
    people = "person | name | roles\nada | Ada | coordinator\n"
    files = _units(tmp_path / "files", "unit | site | status", "U1 | MILL | out of service", people=people)
    small_office.bring(files)
    small_office.bring(files)
    assert _condition(small_office, "U1") == "withdrawn"
    assert small_office.run("log", "U1", "returned", "--by", "ada").status == 0
    ((_, row, column, cure),) = _refusal(small_office, files).problems()
    assert (row, column) == (2, "status")
    assert "since when" in cure
    assert _condition(small_office, "U1") != "withdrawn"
