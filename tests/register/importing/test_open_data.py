"""Registers as public bodies publish them: units that keep publishers apart, and dates that nobody makes up.

The Takamatsu file is the real one ("Takamatsu City open data", CC BY 4.0); the others are invented, under the headings
that are published.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.register.office import Office

TAKAMATSU = Path(__file__).parents[2] / "data" / "open" / "takamatsu-aed.xlsx"
JAPAN = "都道府県コード又は市区町村コード,NO,名称,住所,方書,緯度,経度,設置位置,小児対応設備の有無,備考\n"
FRANCE = (
    "gid;c_nom;c_lat_coor1;c_long_coor1;c_adr_num;c_adr_voie;c_com_cp;c_com_insee;c_com_nom;c_date_instal;c_lc_ped;"
    "c_dtpr_lcped;c_dtpr_lcad;c_dtpr_bat\n"
)


def _city(folder: Path, name: str, area: str, *places: str) -> Path:
    file = folder / f"{name}.csv"
    rows = "".join(f"{area},{n},{place},{place}町1,,34.5,134.5,1階,有,\n" for n, place in enumerate(places, 1))
    file.write_text(JAPAN + rows, encoding="utf-8")
    return file


def test_the_real_file_of_a_city_gives_450_units_and_the_second_time_nothing(office: Office) -> None:
    answer = office.bring(TAKAMATSU)
    assert answer.counts("units") == (450, 0, 0, 0)
    assert answer.document["reckoned"]["units"] == 450
    assert office.rows("SELECT DISTINCT country, time_zone FROM sites") == [("JP", "Asia/Tokyo")]
    before = office.everything()
    again = office.bring(TAKAMATSU)
    assert again.counts("units") == (0, 0, 450, 0)
    assert (again.document["changes"], again.document["missing"], again.document["added"]) == ([], [], [])
    assert office.everything() == before


def test_of_a_file_without_dates_every_part_is_not_recorded(office: Office) -> None:
    office.bring(TAKAMATSU)
    duties = office.run("duties").document
    parts = [duty for duty in duties if duty["kind"].startswith(("pads-", "battery"))]
    assert len({duty["unit"] for duty in parts}) == 450
    assert {duty["standing"] for duty in parts} == {"not recorded"}
    assert set(office.rows("SELECT DISTINCT condition FROM conditions")) == {("no evidence",)}


def test_two_cities_do_not_miss_each_others_units(office: Office, tmp_path: Path) -> None:
    one = _city(tmp_path, "one", "999995", "霧坂市役所", "霧坂図書館")
    two = _city(tmp_path, "two", "999996", "月野市役所", "月野図書館", "月野体育館")
    assert office.bring(one).counts("units") == (2, 0, 0, 0)
    answer = office.bring(two)
    assert (answer.counts("units"), answer.missing()) == ((3, 0, 0, 0), [])
    assert office.bring(one).missing() == []
    # One of its own that is gone is missed, and stays.
    answer = office.bring(_city(tmp_path, "two", "999996", "月野市役所", "月野図書館"))
    assert "units: 999996-3" in answer.missing()
    assert not any("999995" in one for one in answer.missing())
    assert office.rows("SELECT count(*) FROM units") == [(5,)]


def test_files_without_an_area_code_are_told_apart_by_their_name_or_by_source(office: Office, tmp_path: Path) -> None:
    one, two = tmp_path / "one.xlsx", tmp_path / "two.xlsx"
    shutil.copy(TAKAMATSU, one)
    shutil.copy(TAKAMATSU, two)
    office.bring(one)
    assert office.bring(two).missing() == []
    assert office.rows("SELECT count(*) FROM units") == [(900,)]
    assert office.bring(two, "--source", "one").document["changes"] == []


def test_the_fleets_own_file_does_not_miss_what_a_city_publishes(office: Office, tmp_path: Path) -> None:
    office.bring(_city(tmp_path, "one", "999995", "霧坂市役所"))
    own = tmp_path / "units.csv"
    own.write_text("unit,building\nU1,Mill\nU2,Mill\n")
    assert office.bring(own).missing() == []
    own.write_text("unit,building\nU1,Mill\n")
    assert office.bring(own).missing() == ["units: U2"]


def test_a_region_that_names_itself_is_compared_with_itself(office: Office, tmp_path: Path) -> None:
    file = tmp_path / "units.csv"
    for source, units in (("north", "N1,Mill\nN2,Mill\n"), ("south", "S1,Hall\n")):
        file.write_text("unit,building\n" + units)
        assert office.bring(file, "--source", source).missing() == []
    file.write_text("unit,building\nN1,Mill\n")
    assert office.bring(file, "--source", "north").missing() == ["units: N2"]


def test_the_dates_of_the_french_extract_are_reckoned(office: Office, tmp_path: Path) -> None:
    file = tmp_path / "france.csv"
    rows = (
        "11;Mairie de Valsoleil;48.1;2.3;1;rue du Four;28999;28999;Valsoleil;2023-04-01;f;;2027-03-31;2026-10-31\n"
        "12;Mairie de Pontrieux-les-Iles;14.6;-61.0;2;quai;97299;97299;Pontrieux;2023-04-01;t;2026-12-31;2027-03-31;\n"
    )
    file.write_text(FRANCE + rows, encoding="cp1252")
    office.bring(file)
    zones = office.rows("SELECT time_zone, country, subdivision FROM sites ORDER BY time_zone")
    assert zones == [("America/Martinique", "FR", "972"), ("Europe/Paris", "FR", "")]
    dates = {
        (duty["unit"], duty["kind"]): (duty["last_good_day"], duty["standing"])
        for duty in office.run("duties").document
        if duty["kind"] != "look"
    }
    assert dates["france-11", "battery"] == ("2026-10-31", "overdue")
    assert dates["france-11", "pads-adult"][0] == "2027-03-31"
    assert dates["france-12", "pads-child"][0] == "2026-12-31"
    assert dates["france-12", "battery"] == (None, "not recorded")
    later = rows.replace("2027-03-31;2026-10-31", "2027-03-31;2030-10-31")
    file.write_text(FRANCE + later, encoding="cp1252")
    assert office.bring(file).changes() == [("france-11 battery fitted", "label_date", "2026-10-31", "2030-10-31")]
