# ruff: noqa: DTZ001  (a naive time is local to the site: that is what is read)
"""Headings in four languages, rows of every table, and every problem at once."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightround.errors import UserError
from nightround.register import cells
from nightround.register.found import LabelDate, Row
from nightround.register.headings import normal, table_of, targets
from nightround.register.reading import TABLES, read

from .build import csv_file, first, said, values, xlsx_file


def _table(tmp_path: Path, table: str, rows: list[list[str]]) -> list[dict[str, Any]]:
    return values(read(csv_file(tmp_path / f"{table}.csv", rows)), table)


@pytest.mark.parametrize(
    ("heading", "target"),
    [
        ("unit", "unit"),
        ("Unit Code", "unit"),
        ("UNIT_CODE", "unit"),
        ("Asset no.", "unit"),
        ("Gerätenummer", "unit"),
        ("Geräte-Nr.", "unit"),
        ("Numéro d’inventaire", "unit"),
        ("管理番号", "unit"),
        ("Standort", "site"),
        ("施設コード", "site"),
        ("Aufstellort", "spot"),
        ("emplacement", "spot"),
        ("設置場所", "spot"),
        ("Étage", "floor"),
        ("etage", "floor"),
        ("Stockwerk", "floor"),
        ("S/N", "serial"),
        ("N° de série", "serial"),
        ("Seriennummer", "serial"),
        ("製造番号", "serial"),
        ("Mise en service", "in_service_on"),
        ("Inbetriebnahme", "in_service_on"),
        ("Länge", "longitude"),
        ("Pads expiry", "parts.pads-adult.label_date"),
        ("Ablaufdatum Elektroden", "parts.pads-adult.label_date"),
        ("Péremption des électrodes", "parts.pads-adult.label_date"),
        ("パッド（小児）使用期限", "parts.pads-child.label_date"),
        ("Battery lot", "parts.battery.lot"),
        ("Batterie gewechselt am", "parts.battery.fitted_on"),
        ("バッテリー使用期限", "parts.battery.label_date"),
        ("施設名", "sites.name"),
        ("Bemerkungen", "notes"),
    ],
)
def test_headings_mean_the_same_in_four_languages(heading: str, target: str) -> None:
    assert targets("units")[normal(heading)] == target


@pytest.mark.parametrize("table", TABLES)
def test_a_field_has_its_own_name_in_every_table(table: str) -> None:
    own = {"sites", "units", "parts", "people", "training", "log", "rota", "absences", "closures"}
    assert table in own
    for heading, target in targets(table).items():
        assert heading, target
    assert table_of(table) == table_of(table.upper()) == table_of(f" {table} ") == table


def test_voiced_kana_are_other_letters_but_accents_and_widths_are_not() -> None:
    assert normal("バッテリー") != normal("ハッテリー")
    assert normal("ＵＮＩＴ　Ｎｏ．") == normal("unit no")
    assert normal("GERÄT") == normal("gerat")


def test_a_column_nobody_knows_is_said_and_not_read(tmp_path: Path) -> None:
    reading = read(csv_file(tmp_path / "units.csv", [["unit", "Colour", "", "Shoe size"], ["A", "red", "x", "44"]]))
    assert values(reading, "units") == [{"unit": "A"}]
    assert reading.remarks == [
        "units.csv: not read, for nothing is known by that heading: 'Colour', 'Shoe size'",
        "units.csv: column C has no heading, so what stands in it is not read",
    ]


def test_two_columns_for_one_field_are_a_problem(tmp_path: Path) -> None:
    rows = [["unit", "Serial", "s/n"], ["A", "1", "2"]]
    assert said(read(csv_file(tmp_path / "units.csv", rows))) == [
        "units.csv, row 1, column Serial, s/n: both columns mean serial; take one out, or say with --mapping what they "
        "are"
    ]


def test_a_missing_key_column_is_one_problem(tmp_path: Path) -> None:
    rows = [["spot", "serial"], ["lobby", "1"], ["hall", "2"]]
    assert said(read(csv_file(tmp_path / "units.csv", rows))) == [
        "units.csv, row 1: no column says the unit; name a column 'unit', or say with --mapping which one it is"
    ]


def test_a_field_without_a_column_is_absent_and_an_empty_cell_is_none(tmp_path: Path) -> None:
    assert _table(tmp_path, "units", [["unit", "spot"], ["A", ""], ["B"]]) == [
        {"unit": "A", "spot": None},
        {"unit": "B", "spot": None},
    ]


def test_every_problem_is_listed_with_its_place(tmp_path: Path) -> None:
    rows = [
        ["unit", "site", "made_on", "latitude", "longitude", "serial"],
        ["A", "S", "31/02/2024", "134.05", "34.34", "x" * 65],
        ["", "S", "", "", "", ""],
        ["C", "S\x07", "03/04/2024", "north", "", "1.2E+15"],
    ]
    reading = read(csv_file(tmp_path / "units.csv", rows))
    assert [(problem.row, problem.column, problem.value[:10]) for problem in reading.problems] == [
        (2, "made_on", "31/02/2024"),
        (2, "latitude", "134.05"),
        (2, "serial", "xxxxxxxxxx"),
        (3, "unit", ""),
        (4, "site", "S\x07"),
        (4, "made_on", "03/04/2024"),
        (4, "latitude", "north"),
        (4, "serial", "1.2E+15"),
    ]
    assert all(problem.cure and problem.file == "units.csv" for problem in reading.problems)
    assert "65 characters long; 64 are the most" in reading.problems[2].cure


def test_sites(tmp_path: Path) -> None:
    rows = [
        ["Site code", "Name", "Address", "Lat", "Lon", "Time zone", "Country", "Subdivision", "Site type", "Remarks"],
        ["S1", "Harbour", "1 Quay", "51,5", "-0,1", "europe/london", "gb", "GB-ENG", "Sports", "key at desk"],
    ]
    assert _table(tmp_path, "sites", rows) == [
        {
            "site": "S1",
            "name": "Harbour",
            "address": "1 Quay",
            "latitude": 51.5,
            "longitude": -0.1,
            "time_zone": "Europe/London",
            "country": "GB",
            "subdivision": "ENG",
            "site_type": "sports",
            "notes": "key at desk",
        }
    ]


@pytest.mark.parametrize(
    ("field", "cell", "cure"),
    [
        ("time_zone", "Mars/Olympus", "no time zone known here"),
        ("country", "Germany", "two letters of ISO 3166-1"),
        ("subdivision", "Bavaria", "ISO 3166-2"),
    ],
)
def test_zones_and_countries_are_checked(field: str, cell: str, cure: str, tmp_path: Path) -> None:
    problems = said(read(csv_file(tmp_path / "sites.csv", [["site", field], ["S", cell]])))
    assert len(problems) == 1
    assert cure in problems[0]


def test_a_kind_of_site_that_no_rule_knows_is_remarked_on(tmp_path: Path) -> None:
    reading = read(csv_file(tmp_path / "sites.csv", [["site", "site_type"], ["S", "school"], ["T", "moon base"]]))
    assert len(reading.remarks) == 1
    assert "'moon base'" in reading.remarks[0]


def test_parts(tmp_path: Path) -> None:
    rows = [
        ["unit", "site", "kind", "state", "lot", "label_date", "fitted_on", "udi", "cost"],
        ["A", "", "pads-adult", "fitted", "0012", "2027-02", "2025-03-01", "(01)09501101530003(17)270200", "62.00 EUR"],
        ["", "S", "Batterie", "", "", "", "", "", ""],
        ["A", "", "kit-razor", "Ersatz", "", "", "", "", "62"],
        ["A", "", "小児用パッド", "予備", "", "2027年2月", "", "", ""],
    ]
    found = _table(tmp_path, "parts", rows)
    assert found[0] == {
        "unit": "A",
        "site": None,
        "kind": "pads-adult",
        "state": "fitted",
        "lot": "0012",
        "label_date": LabelDate("2027-02", date(2027, 2, 28)),
        "fitted_on": date(2025, 3, 1),
        "udi": "(01)09501101530003(17)270200",
        "cost": "62.00 EUR",
    }
    assert [(row["kind"], row["state"]) for row in found[1:]] == [
        ("battery", "spare"),
        ("kit-razor", "spare"),
        ("pads-child", "spare"),
    ]
    assert found[3]["label_date"] == LabelDate("2027年2月", date(2027, 2, 28))


def test_a_part_of_no_known_kind_or_place_is_a_problem(tmp_path: Path) -> None:
    rows = [["unit", "site", "kind"], ["A", "", "flux capacitor"], ["", "", "battery"], ["A", "", ""]]
    problems = read(csv_file(tmp_path / "parts.csv", rows)).problems
    assert [(problem.row, problem.column) for problem in problems] == [(2, "kind"), (3, "unit"), (4, "kind")]


def test_people(tmp_path: Path) -> None:
    rows = [
        ["person", "name", "email", "phone", "roles", "sites", "language", "time_zone"],
        ["P1", "Ada Öz", "ada@example.org", "+44 20 7946 0001", "Manager; on-call, manager", "S1; S2;S1", "DE", ""],
        ["P2", "", "desk@intranet", "", "Ansprechpartner", "*", "", "Asia/Tokyo"],
    ]
    assert _table(tmp_path, "people", rows) == [
        {
            "person": "P1",
            "name": "Ada Öz",
            "email": "ada@example.org",
            "phone": "+44 20 7946 0001",
            "roles": ("manager", "on-call"),
            "sites": ("S1", "S2"),
            "language": "de",
            "time_zone": None,
        },
        {
            "person": "P2",
            "name": None,
            "email": "desk@intranet",
            "phone": None,
            "roles": ("site-contact",),
            "sites": ("*",),
            "language": None,
            "time_zone": "Asia/Tokyo",
        },
    ]


def test_a_mail_address_or_role_that_is_none_is_a_problem(tmp_path: Path) -> None:
    rows = [["person", "email", "roles"], ["P1", "ada at example.org", "manager; king"]]
    problems = read(csv_file(tmp_path / "people.csv", rows)).problems
    assert [problem.column for problem in problems] == ["email", "roles"]


def test_training_log_and_rota(tmp_path: Path) -> None:
    assert _table(
        tmp_path,
        "training",
        [["person", "certificate", "issued_on", "valid_to"], ["P1", "BLS", "2026-02-10", "02/2028"]],
    ) == [
        {
            "person": "P1",
            "certificate": "BLS",
            "issued_on": date(2026, 2, 10),
            "valid_to": LabelDate("02/2028", date(2028, 2, 29)),
        }
    ]
    rows = [
        ["unit", "at", "entry", "by", "readings", "part", "note"],
        [
            "A",
            "2026-11-02T10:15+01:00",
            "fitted",
            "P1",
            "",
            "kind=Batterie; lot=7; label_date=2030-05",
            "line 1\nline 2",
        ],
        ["A", "2026-11-03", "Prüfung", "", "Self-Test=OK; battery=3 / 4; smell=Odd One", "", ""],
    ]
    fitted, check = _table(tmp_path, "log", rows)
    assert fitted["at"] == datetime(2026, 11, 2, 9, 15, tzinfo=UTC)
    assert fitted["part"] == {"kind": "battery", "lot": "7", "label_date": "2030-05"}
    assert fitted["note"] == "line 1\nline 2"
    assert (check["at"], check["entry"], check["by"]) == (datetime(2026, 11, 3), "check", None)
    assert check["readings"] == {"self-test": "ok", "battery": "3/4", "smell": "Odd One"}
    assert _table(tmp_path, "rota", [["person", "from", "until"], ["P1", "2026-11-30", "2026-12-06"]]) == [
        {"person": "P1", "from": datetime(2026, 11, 30), "until": datetime(2026, 12, 7)}
    ]


@pytest.mark.parametrize(
    ("field", "cell", "cure"),
    [
        ("entry", "danced", "not a log entry"),
        ("readings", "battery=5/4", "battery is one of"),
        ("readings", "pads=fine", "pads is one of: ok, expiring"),
        ("readings", "all good", "name=value"),
        ("at", "2026-11", "the day is needed"),
    ],
)
def test_a_log_entry_that_cannot_be_understood_is_a_problem(field: str, cell: str, cure: str, tmp_path: Path) -> None:
    good = {"unit": "A", "at": "2026-11-02", "entry": "check", "readings": "self-test=ok"} | {field: cell}
    problems = said(read(csv_file(tmp_path / "log.csv", [list(good), list(good.values())])))
    assert len(problems) == 1
    assert cure in problems[0]


def test_a_units_file_may_hold_its_sites_and_parts(tmp_path: Path) -> None:
    rows = [
        ["Unit", "Site", "Site name", "Address", "Pads expiry", "Pads lot", "Child pads expiry", "Battery expiry"],
        ["A", "S", "School", "1 Lane", "2027-02", "L1", "", "2028-03-01"],
        ["B", "S", "", "1 Lane", "", "", "2027-05", ""],
    ]
    reading = read(csv_file(tmp_path / "fleet.csv", rows))
    assert values(reading, "units") == [{"unit": "A", "site": "S"}, {"unit": "B", "site": "S"}]
    assert values(reading, "sites") == [{"site": "S", "name": "School", "address": "1 Lane"}]
    assert values(reading, "parts") == [
        {
            "unit": "A",
            "kind": "pads-adult",
            "state": "fitted",
            "label_date": LabelDate("2027-02", date(2027, 2, 28)),
            "lot": "L1",
        },
        {"unit": "A", "kind": "battery", "state": "fitted", "label_date": LabelDate("2028-03-01", date(2028, 3, 1))},
        {
            "unit": "B",
            "kind": "pads-child",
            "state": "fitted",
            "label_date": LabelDate("2027-05", date(2027, 5, 31)),
        },
        {"unit": "B", "kind": "battery", "state": "fitted", "label_date": None},
        {"unit": "B", "kind": "pads-adult", "state": "fitted", "label_date": None, "lot": None},
    ]
    part: Row = reading.tables["parts"][0]
    assert part.problem("label_date", "x").column == "Pads expiry"
    assert any("'Pads expiry' is read as that of the adult pads" in remark for remark in reading.remarks)


def test_a_site_without_a_code_is_known_by_its_name(tmp_path: Path) -> None:
    rows = [["unit", "site name", "address"], ["A", "School", "1 Lane"], ["B", "School", "1 Lane"], ["C", "", "2 Lane"]]
    reading = read(csv_file(tmp_path / "units.csv", rows))
    assert [row["site"] for row in values(reading, "units")] == ["School", "School", "2 Lane"]
    assert [row["site"] for row in values(reading, "sites")] == ["School", "2 Lane"]


def test_one_site_with_two_addresses_is_a_problem(tmp_path: Path) -> None:
    rows = [["unit", "site", "address"], ["A", "S", "1 Lane"], ["B", "S", "2 Lane"]]
    assert said(read(csv_file(tmp_path / "units.csv", rows))) == [
        "units.csv, row 3, column address: '2 Lane': site S has '1 Lane' in row 2; make them the same, or give each "
        "site a code of its own"
    ]


def test_sites_of_a_sites_sheet_and_of_a_units_sheet_are_one(tmp_path: Path) -> None:
    csv_file(tmp_path / "sites.csv", [["site", "name"], ["S", "School"]])
    csv_file(tmp_path / "units.csv", [["unit", "site", "site name", "address"], ["A", "S", "School", "1 Lane"]])
    assert values(read(tmp_path), "sites") == [{"site": "S", "name": "School", "address": "1 Lane"}]


def test_defaults_are_carried_but_never_put_into_rows(tmp_path: Path) -> None:
    path = csv_file(tmp_path / "sites.csv", [["site"], ["S"]])
    reading = read(path, default_zone="Europe/Berlin", default_country="DE")
    assert values(reading, "sites") == [{"site": "S"}]
    assert reading.defaults == {"time_zone": "Europe/Berlin", "country": "DE"}


def test_a_table_with_headings_only_is_empty(tmp_path: Path) -> None:
    assert read(csv_file(tmp_path / "units.csv", [["unit", "site"]])).tables == {}


def test_an_unknown_order_of_dates_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="use one of: day-first, month-first, iso"):
        read(csv_file(tmp_path / "units.csv", [["unit"], ["A"]]), dates="dmy")


# What the register can hold: no control characters, no blanks around.
_LETTERS = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]) | st.sampled_from("'=+-@"), min_size=1)
_STORED = _LETTERS.map(lambda text: text.strip().strip("\ufeff\u200b").strip()).filter(bool)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    spot=_STORED.filter(lambda text: not text.startswith("#")),
    notes=st.lists(_STORED, min_size=1, max_size=3).map("\n".join).filter(lambda text: not text.startswith("#")),
    delimiter=st.sampled_from(",;\t"),
    workbook=st.booleans(),
)
def test_text_that_was_written_neutralised_comes_back_exactly(
    tmp_path: Path, spot: str, notes: str, delimiter: str, workbook: bool
) -> None:
    rows = [["unit", "spot", "notes"], ["A", cells.neutral(spot), cells.neutral(notes)]]
    if workbook:
        path = xlsx_file(tmp_path / "units.xlsx", {"units": rows})
    else:
        path = csv_file(tmp_path / "units.csv", rows, delimiter)
    assert first(path) == {"unit": "A", "spot": spot, "notes": notes}


def test_the_order_said_is_used(tmp_path: Path) -> None:
    path = csv_file(tmp_path / "units.csv", [["unit", "made_on"], ["A", "03/04/2024"]])
    assert first(path, dates="day-first")["made_on"] == date(2024, 4, 3)
    assert first(path, dates="month-first")["made_on"] == date(2024, 3, 4)
