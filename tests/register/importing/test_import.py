"""A whole register goes in, all of it or nothing; again it changes nothing; later files change what they change."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Clock
from tests.register.office import Office, write

SITES = """
site | name            | address       | latitude | longitude | time_zone     | country | subdivision | site_type
MILL | Saltby Mill     | 1 Mill Lane   | 51.5     | -0.12     | Europe/London | GB      | ENG         | workplace
HALL | Saltby Town Hall| 2 High Street |          |           | Europe/London | GB      | ENG         | public
"""
UNITS = """
unit    | site | spot              | model          | serial | made_on    | in_service_on
MILL-01 | MILL | left of the lift  | Tarnlight Five | TF1    | 2022-03-01 | 2022-05-02
MILL-02 | MILL | canteen           | Tarnlight Five | TF2    | 2022-03-01 | 2022-05-02
HALL-01 | HALL | beside the desk   | Quennick S     | QS1    | 2023-01-10 | 2023-02-01
"""
PARTS = """
unit    | site | kind       | state  | lot | label_date | fitted_on  | cost
MILL-01 |      | battery    | fitted | B1  | 2027-06    | 2022-05-02 | 120 EUR
MILL-01 |      | pads-adult | fitted | P1  | 2027-02-28 | 2024-11-01 |
MILL-01 |      | pads-adult | spare  | P2  | 2028-08    |            |
MILL-02 |      | battery    | fitted |     |            |            |
        | HALL | battery    | spare  | B9  | 2029-01    |            |
"""
PEOPLE = """
person | name         | email           | roles                | sites | language
ada    | Ada Quill    | ada@example.org | coordinator; manager |       | en
ben    | Ben Sorrel   | ben@example.org | site-contact         | MILL  | en
"""
TRAINING = """
person | certificate | issued_on  | valid_to
ben    | Life support | 2025-03-01 | 2027-03
"""
LOG = """
unit    | at               | entry | by  | readings                      | note
MILL-01 | 2026-11-02 10:30 | check | ben | self-test=ok; battery=3/4     |
MILL-01 | 2026-11-20 09:00 | check |     | damage=yes                    | a scratch
"""
ROTA = """
person | from             | until
ada    | 2026-11-23 08:00 | 2026-11-30 08:00
"""
WHOLE = {
    "sites": SITES,
    "units": UNITS,
    "parts": PARTS,
    "people": PEOPLE,
    "training": TRAINING,
    "log": LOG,
    "rota": ROTA,
}


@pytest.fixture
def files(tmp_path: Path) -> Path:
    return write(tmp_path / "files", **WHOLE)


def test_everything_goes_in(office: Office, files: Path) -> None:
    answer = office.bring(files)
    assert answer.document["written"] is True
    assert answer.document["tables"] == {
        table: {"added": added, "changed": 0, "unchanged": 0, "missing": 0}
        for table, added in (
            ("sites", 2), ("units", 3), ("parts", 5), ("people", 2), ("training", 1), ("log", 2), ("rota", 1)
        )
    }  # fmt: skip
    assert office.rows(
        "SELECT unit, site, spot, in_service_on FROM units u JOIN sites s ON s.id = u.site_id ORDER BY 1"
    )[0][:3] == ("HALL-01", "HALL", "beside the desk")
    assert office.rows("SELECT label_date, lot FROM parts WHERE lot = 'B1'") == [("2027-06", "B1")]
    assert office.rows("SELECT count(DISTINCT label) FROM units") == [(3,)]
    assert office.rows("SELECT whole_fleet FROM people WHERE person = 'ada'") in ([(True,)], [(1,)])


def test_the_units_are_reckoned_at_once(office: Office, files: Path) -> None:
    answer = office.bring(files)
    assert answer.document["reckoned"]["units"] == 3
    duties = office.run("duties", "--unit", "MILL-01").document
    assert {duty["kind"] for duty in duties} >= {"look", "battery", "pads-adult"}
    # Looked at by a known person on 2 November and, by UK guidance, to be looked at within a week.
    look = next(duty for duty in duties if duty["kind"] == "look")
    assert (look["last_good_day"], look["standing"]) == ("2026-11-09", "overdue")


def test_the_same_file_again_changes_nothing(office: Office, files: Path, clock: Clock) -> None:
    office.bring(files)
    before = office.everything()
    clock.forward(days=3)
    answer = office.bring(files)
    assert all(
        (counts["added"], counts["changed"], counts["missing"]) == (0, 0, 0)
        for counts in answer.document["tables"].values()
    )
    assert office.everything() == before
    assert answer.document["reckoned"] is None


def test_check_only_says_what_would_happen(office: Office, files: Path) -> None:
    before = office.everything()
    answer = office.bring(files, "--check")
    assert answer.document["written"] is False
    assert answer.counts("units") == (3, 0, 0, 0)
    assert answer.counts("log") == (2, 0, 0, 0)
    assert office.everything() == before


def test_check_of_what_is_there_finds_nothing_new(office: Office, files: Path) -> None:
    office.bring(files)
    answer = office.bring(files, "--check")
    assert answer.counts("log") == (0, 0, 2, 0)
    assert answer.document["changes"] == []


def test_a_changed_row_updates_by_its_key_and_is_shown_old_to_new(office: Office, files: Path) -> None:
    office.bring(files)
    changed = WHOLE | {
        "units": UNITS.replace("canteen          ", "canteen by the door").replace("| TF2 ", "| TF2B"),
        "sites": SITES.replace("1 Mill Lane  ", "3 Mill Lane  "),
        "people": PEOPLE.replace("site-contact         | MILL ", "site-contact; on-call | HALL; MILL"),
        "training": TRAINING.replace("2027-03", "2027-04"),
        "rota": ROTA.replace("2026-11-30 08:00", "2026-11-29 08:00"),
    }
    answer = office.bring(write(files, **changed))
    assert answer.changes() == [
        ("MILL", "address", "1 Mill Lane", "3 Mill Lane"),
        ("MILL-02", "spot", "canteen", "canteen by the door"),
        ("MILL-02", "serial", "TF2", "TF2B"),
        ("ben", "roles", "site-contact", "site-contact; on-call"),
        ("ben", "sites", "MILL", "HALL; MILL"),
        ("ben Life support 2025-03-01", "valid_to", "2027-03", "2027-04"),
        ("ada from 2026-11-23T08:00Z", "until_at", "2026-11-30T08:00:00+00:00", "2026-11-29T08:00:00+00:00"),
    ]
    assert office.rows("SELECT count(*) FROM units") == [(3,)]


def test_what_changed_is_told_to_whoever_reads_feeds_and_pages(office: Office, files: Path) -> None:
    office.bring(files)
    revisions = dict(office.rows("SELECT unit, revision FROM units"))
    (version,) = office.rows("SELECT version FROM fleet")[0]
    office.bring(write(files, **WHOLE | {"units": UNITS.replace("canteen", "kitchen")}))
    assert dict(office.rows("SELECT unit, revision FROM units")) == revisions | {"MILL-02": revisions["MILL-02"] + 1}
    assert office.rows("SELECT version FROM fleet")[0][0] > version


def test_the_changes_are_shown_to_a_person_too(small_office: Office, files: Path) -> None:
    small_office.bring(files)
    write(files, units=UNITS.replace("canteen", "kitchen"))
    answer = small_office.say("import", files)
    assert answer.status == 0
    assert "units\tMILL-02\tspot\tcanteen\t→ kitchen\n" in answer.out


def test_a_field_without_a_column_stays_and_an_empty_cell_empties_it(office: Office, files: Path) -> None:
    office.bring(files)
    answer = office.bring(write(files, units="unit | spot | serial\nMILL-01 | | TF1"))
    assert answer.changes() == [("MILL-01", "spot", "left of the lift", "")]
    assert office.rows("SELECT spot, model FROM units WHERE unit = 'MILL-01'") == [("", "Tarnlight Five")]


def test_what_is_missing_from_a_later_file_is_reported_and_stays(office: Office, files: Path) -> None:
    office.bring(files)
    fewer = {
        "sites": "\n".join(SITES.strip().splitlines()[:2]),
        "units": "\n".join(UNITS.strip().splitlines()[:2]),
        "parts": "\n".join(PARTS.strip().splitlines()[:2]),
        "people": "\n".join(PEOPLE.strip().splitlines()[:2]),
    }
    answer = office.bring(write(files, **fewer))
    assert answer.missing() == [
        "sites: HALL",
        "units: MILL-02",
        "units: HALL-01",
        "parts: MILL-01 pads-adult fitted, lot P1",
        "parts: MILL-01 pads-adult spare, lot P2",
        "people: ben",
    ]
    assert answer.document["changes"] == []
    for table, count in (("sites", 2), ("units", 3), ("parts", 5), ("people", 2)):
        assert office.rows(f"SELECT count(*) FROM {table}") == [(count,)]


def test_a_table_that_the_file_does_not_have_is_not_missing(office: Office, files: Path) -> None:
    office.bring(files)
    answer = office.bring(write(files, people=PEOPLE))
    assert answer.missing() == []
    assert list(answer.document["tables"]) == ["people"]


def test_an_error_in_the_last_row_keeps_everything_out(office: Office, files: Path) -> None:
    before = office.everything()
    write(files, **WHOLE | {"log": LOG + "MILL-02 | 2026-11-20 09:00 | check | nobody | self-test=ok |\n"})
    answer = office.run("import", files)
    assert answer.status == 2
    assert answer.document["written"] is False
    assert answer.problems() == [
        (
            "log.csv",
            4,
            "by",
            "no person has this code, in the file or in the register: tell of them in a sheet or file 'people'; left "
            "empty, it is by an unknown passer-by",
        )
    ]
    assert office.everything() == before


def test_what_goes_wrong_while_writing_takes_everything_back(
    office: Office, files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("the power is cut")

    before = office.everything()
    # The evidence is the last thing written: sites, units, parts, people and log are there by then.
    monkeypatch.setattr("nightround.register.writing.refresh", fails)
    with pytest.raises(RuntimeError):
        office.run("import", files)
    assert office.everything() == before


def test_every_problem_is_said_at_once(office: Office, files: Path) -> None:
    before = office.everything()
    write(
        files,
        **WHOLE
        | {
            "sites": SITES.replace("| Europe/London | GB      | ENG         | workplace", "| Europe/Londno | UK | | "),
            "units": UNITS.replace("| 2023-01-10 |", "| 03/04/2023 |").replace("MILL-02 | MILL |", "MILL-02 | MIL |"),
            "parts": PARTS.replace("MILL-02 |      | battery", "MILL-07 |      | battery"),
            "people": PEOPLE.replace("ben@example.org", "ben at example.org").replace("MILL ", "MILLS"),
        },
    )
    answer = office.run("import", files)
    assert answer.status == 2
    said = [(place, row, column) for place, row, column, _ in answer.problems()]
    assert said == [
        ("parts.csv", 5, "unit"),
        ("people.csv", 3, "email"),
        ("people.csv", 3, "sites"),
        ("sites.csv", 2, "time_zone"),
        ("sites.csv", 2, "country"),
        ("units.csv", 3, "site"),
        ("units.csv", 4, "made_on"),
    ]
    cures = {column: cure for _, _, column, cure in answer.problems()}
    assert cures["unit"].endswith("did you mean MILL-01?") or cures["unit"].endswith("did you mean MILL-02?")
    assert "GB" in cures["country"]
    assert "did you mean MILL" in cures["site"]
    assert "day-first" in cures["made_on"]
    assert office.everything() == before


def test_problems_are_a_list_that_a_person_can_act_on(small_office: Office, files: Path) -> None:
    write(files, **WHOLE | {"units": UNITS.replace("| 2023-01-10 |", "| 03/04/2023 |")})
    answer = small_office.say("import", files)
    assert answer.status == 2
    (line,) = answer.out.splitlines()
    file, sheet, row, column, value, cure = line.split("\t")
    assert (file, sheet, row, column, value) == ("units.csv", "", "4", "made_on", "03/04/2023")
    assert "--dates day-first" in cure
    assert "1 problem; nothing was written" in answer.err


def test_the_problems_of_a_file_are_found_by_check_too(small_office: Office, files: Path) -> None:
    write(files, **WHOLE | {"parts": PARTS.replace("MILL-02 |", "MILL-99 |")})
    answer = small_office.run("import", files, "--check")
    assert answer.status == 3
    assert [problem[:3] for problem in answer.problems()] == [("parts.csv", 5, "unit")]


@pytest.mark.parametrize(
    ("table", "again"),
    [
        ("sites", "HALL | The same code again | | | | Europe/London | GB | |\n"),
        ("units", "MILL-01 | MILL | elsewhere | | | |\n"),
        ("people", "ada | Somebody else | | manager | |\n"),
        ("training", "ben | Life support | 2025-03-01 | 2028-03\n"),
        ("rota", "ada | 2026-11-23 08:00 | 2026-11-24 08:00\n"),
    ],
)
def test_a_key_that_comes_twice_is_a_problem(small_office: Office, files: Path, table: str, again: str) -> None:
    write(files, **WHOLE | {table: WHOLE[table] + again})
    (problem,) = small_office.run("import", files).problems()
    assert problem[0] == f"{table}.csv"
    assert "too; take one of the two out" in problem[3]


def test_a_sheet_without_its_key_is_one_problem_and_not_one_a_reference(small_office: Office, files: Path) -> None:
    write(files, **WHOLE | {"units": UNITS.replace("unit    |", "colour  |", 1)})
    problems = small_office.run("import", files).problems()
    assert [(place, row) for place, row, _, _ in problems] == [("units.csv", 1)]


def test_a_lone_units_file_fills_an_empty_register(office: Office, tmp_path: Path) -> None:
    file = write(tmp_path / "one", units=UNITS) / "units.csv"
    answer = office.bring(file)
    assert answer.counts("sites") == (2, 0, 0, 0)
    assert any("HALL, MILL" in remark for remark in answer.document["remarks"])
    assert office.rows("SELECT site, name, time_zone FROM sites ORDER BY site") == [
        ("HALL", "HALL", "UTC"),
        ("MILL", "MILL", "UTC"),
    ]
    assert office.bring(file).document["changes"] == []


def test_later_a_site_that_nobody_knows_is_a_problem(office: Office, tmp_path: Path) -> None:
    office.bring(write(tmp_path / "one", units=UNITS))
    answer = office.run("import", write(tmp_path / "one", units=UNITS + "MILL-03 | MIL | roof | | | |\n"))
    assert [problem[:3] for problem in answer.problems()] == [("units.csv", 5, "site")]


def test_units_whose_codes_differ_in_case_only_are_pointed_out(small_office: Office, files: Path) -> None:
    small_office.bring(files)
    answer = small_office.bring(write(files, units="unit | site\nmill-01 | MILL"))
    assert any("mill-01" in remark and "MILL-01" in remark for remark in answer.document["remarks"])


def test_a_unit_that_moves_keeps_the_day_of_a_check_at_its_old_site(office: Office, files: Path) -> None:
    # Checked at 23:30 in London on 2 November, which is the 3rd in Tokyo: it was looked at where it stood then.
    late = "unit | at | entry | by | readings\nMILL-01 | 2026-11-02T23:30Z | check | ben | self-test=ok\n"
    office.bring(write(files, **WHOLE | {"log": late}))
    looked = "SELECT looked_on FROM evidence e JOIN units u ON u.id = e.unit_id WHERE unit = 'MILL-01'"
    assert str(office.rows(looked)[0][0]) == "2026-11-02"
    sites = "site | name | time_zone | country\nTOKY | Office | Asia/Tokyo | JP"
    answer = office.bring(write(files, sites=sites, units="unit | site\nMILL-01 | TOKY"))
    assert ("MILL-01", "site", "MILL", "TOKY") in answer.changes()
    assert str(office.rows(looked)[0][0]) == "2026-11-02"


def test_a_site_that_gets_another_zone_has_its_log_read_anew(office: Office, files: Path) -> None:
    late = "unit | at | entry | by | readings\nMILL-01 | 2026-11-02T23:30Z | check | ben | self-test=ok\n"
    office.bring(write(files, **WHOLE | {"log": late}))
    answer = office.bring(
        write(files, sites="site | time_zone | country\nMILL | Asia/Tokyo | JP\nHALL | Europe/London | GB")
    )
    assert ("MILL", "time_zone", "Europe/London", "Asia/Tokyo") in answer.changes()
    assert answer.document["reckoned"]["units"] == 2
    looked = "SELECT looked_on FROM evidence e JOIN units u ON u.id = e.unit_id WHERE unit = 'MILL-01'"
    assert str(office.rows(looked)[0][0]) == "2026-11-03"


def test_a_broken_rule_pack_is_said_before_anything_is_written(
    small_office: Office, files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "packs").mkdir()
    (tmp_path / "packs" / "ours.toml").write_text("nonsense = 1\n")
    monkeypatch.setenv("NIGHTROUND_RULES_FOLDER", str(tmp_path / "packs"))
    assert small_office.run("import", files).status == 2
    assert small_office.rows("SELECT count(*) FROM units") == [(0,)]


def test_a_file_that_is_not_there_is_one_clear_sentence(small_office: Office) -> None:
    answer = small_office.run("import", "nowhere.xlsx")
    assert answer.status == 2
    assert "nowhere.xlsx" in answer.err and answer.out == ""
