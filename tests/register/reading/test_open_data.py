"""Registers as public bodies publish them. The Takamatsu file is the real one ("Takamatsu City open data", CC BY 4.0);
the others are invented, under the headings that are published."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import date
from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.register.found import LabelDate
from nightround.register.layouts import site_mark
from nightround.register.reading import Reading, read

from .build import csv_file, said, values, xlsx_file

TAKAMATSU = Path(__file__).parents[2] / "data" / "open" / "takamatsu-aed.xlsx"


def _read(text: str, delimiter: str) -> list[list[str]]:
    return list(csv.reader(text.strip().splitlines(), delimiter=delimiter))


JAPAN, *JAPAN_ROWS = _read(
    """
都道府県コード又は市区町村コード,NO,都道府県名,市区町村名,名称,名称_カナ,住所,方書,緯度,経度,設置位置,電話番号,内線番号,法人番号,\
団体名,利用可能曜日,開始時間,終了時間,利用可能日時特記事項,小児対応設備の有無,URL,備考
999995,0000000001,星見県,霧坂市,霧坂市役所,キリサカシヤクショ,霧坂市本町１－１,本館,３４．５,134.5,１階ロビー,（000）000-0000,,,\
霧坂市,月火水木金,8:30,17:15,祝日を除く,有,https://example.org/,夜間不可
999995,0000000002,星見県,霧坂市,霧坂市役所,キリサカシヤクショ,霧坂市本町1-1,本館,,,３階,,,,,,,,,無,,
999996,0000000001,星見県,月野市,月野図書館,,月野市北2,,34.6,134.6,,,,,,,,,,,,
""",
    ",",
)

FRANCE, *FRANCE_ROWS = _read(
    """
gid;c_gid;c_etat_valid;c_nom;c_lat_coor1;c_long_coor1;c_adr_num;c_adr_voie;c_com_cp;c_com_insee;c_com_nom;\
c_acc;c_acc_lib;c_acc_etg;c_acc_complt;c_disp_j;c_disp_h;c_date_instal;c_etat_fonct;c_lc_ped;c_dtpr_lcped;c_dtpr_lcad;\
c_dtpr_bat;c_freq_mnt;c_dispsurv;c_dermnt;c_maj_don;c_expt_rais;c_dae_mobile
11;901;validé;Salle des Tilleuls;47,5;1,25;18;allée des Tilleuls;41999;41999;Vaubrune;\
intérieur;t;rdc;à gauche de l'entrée;lundi-vendredi;8h-18h;2021-05-04;en fonctionnement;t;2027-03-31;2027-06-30;\
2028-01-31;12 mois;f;2026-02-01;2026-03-01;Commune de Vaubrune;f
12;902;validé;Salle des Tilleuls;47,5;1,25;18;allée des Tilleuls;41999;41999;Vaubrune;\
extérieur;f;;;;;;hors service;f;;;;;;;;;
13;903;;Mairie;-21,1;55,5;;place Haute;97499;97499;Pitonville;;;;;;;;;t;;2027-01-15;;;;;;;
""",
    ";",
)


def _japan(path: Path, encoding: str = "utf-8") -> Path:
    return csv_file(path, [JAPAN, *JAPAN_ROWS], encoding=encoding)


def _france(path: Path, rows: list[list[str]] = FRANCE_ROWS) -> Path:
    return csv_file(path, [FRANCE, *rows], ";")


def test_the_real_file_of_takamatsu_gives_450_units_and_no_dates() -> None:
    reading = read(TAKAMATSU)
    units, sites = values(reading, "units"), values(reading, "sites")
    assert len(units) == len({unit["unit"] for unit in units}) == 450
    assert len(sites) == len({site["site"] for site in sites}) == 448
    assert {unit["site"] for unit in units} == {site["site"] for site in sites}
    assert set(reading.tables) == {"units", "sites"}  # no part, no log: nothing is recorded
    assert {site["country"] for site in sites} == {"JP"}
    assert {site["time_zone"] for site in sites} == {"Asia/Tokyo"}
    assert units[0]["unit"] == "takamatsu-aed-1"
    assert units[-1]["unit"] == "takamatsu-aed-544"
    assert units[-2] | {"site": ""} == {
        "unit": "takamatsu-aed-543",
        "site": "",
        "spot": "１階正面玄関前",
        "latitude": 34.34393128061774,
        "longitude": 134.0336242718585,
        "notes": "telephoneNumber: 087-861-1184; availableDate: 月火水木金土日; startTime: 0:00; endTime: 24:00",
    }
    assert sites[-2]["name"] == "東洋建設株式会社\u3000四国支店"
    assert reading.remarks[0] == (
        "takamatsu-aed.xlsx, sheet Sheet1: read as: municipal AED list with English headings, Japan "
        "(one row is one unit; JP; Asia/Tokyo)"
    )


def test_every_text_of_the_real_file_is_kept() -> None:
    units = values(read(TAKAMATSU), "units")
    assert sum("equipmentForChildren: 有" in (unit["notes"] or "") for unit in units) == 157
    assert sum(unit["spot"] is None for unit in units) == 62
    assert sum("availableDateNote: " in (unit["notes"] or "") for unit in units) == 450 - 191
    assert all("\n" not in str(unit) for unit in units)


def test_codes_stay_the_same_from_import_to_import_of_one_publisher(tmp_path: Path) -> None:
    later = tmp_path / "aed-2027.xlsx"
    shutil.copy(TAKAMATSU, later)
    one, two = read(TAKAMATSU), read(later, source="takamatsu-aed")
    for table in ("units", "sites"):
        assert values(one, table) == values(two, table)
    assert any("say --source takamatsu-aed" in remark for remark in one.remarks)
    assert not any("--source" in remark for remark in two.remarks)


def test_two_publishers_never_share_a_code(tmp_path: Path) -> None:
    other = tmp_path / "otherville.xlsx"
    shutil.copy(TAKAMATSU, other)
    one, two = read(TAKAMATSU), read(other)
    for table, key in (("units", "unit"), ("sites", "site")):
        assert not {row[key] for row in values(one, table)} & {row[key] for row in values(two, table)}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp932"])
def test_the_municipal_list_of_japan(encoding: str, tmp_path: Path) -> None:
    reading = read(_japan(tmp_path / "aed.csv", encoding))
    units, sites = values(reading, "units"), values(reading, "sites")
    assert [unit["unit"] for unit in units] == ["999995-0000000001", "999995-0000000002", "999996-0000000001"]
    assert units[0]["site"] == units[1]["site"] != units[2]["site"]  # widths of letters do not tell sites apart
    assert units[0]["notes"] == (
        "都道府県名: 星見県; 市区町村名: 霧坂市; 名称_カナ: キリサカシヤクショ; 電話番号: （000）000-0000; "
        "団体名: 霧坂市; 利用可能曜日: 月火水木金; 開始時間: 8:30; 終了時間: 17:15; "
        "利用可能日時特記事項: 祝日を除く; 小児対応設備の有無: 有; URL: https://example.org/; 備考: 夜間不可"
    )
    assert (units[0]["latitude"], units[0]["longitude"], units[1]["latitude"]) == (34.5, 134.5, None)
    assert sites[0] | {"site": ""} == {
        "site": "",
        "name": "霧坂市役所",
        "address": "霧坂市本町１－１ 本館",
        "latitude": 34.5,
        "longitude": 134.5,
        "country": "JP",
        "time_zone": "Asia/Tokyo",
    }
    assert any("read as: municipal AED list, Japan" in remark for remark in reading.remarks)
    assert not any("--source" in remark for remark in reading.remarks)


def test_a_japanese_area_code_tells_the_prefecture(tmp_path: Path) -> None:
    rows = [["132195", *JAPAN_ROWS[0][1:]]]
    assert values(read(csv_file(tmp_path / "a.csv", [JAPAN, *rows])), "sites")[0]["subdivision"] == "13"


def test_the_national_extract_of_france(tmp_path: Path) -> None:
    reading = read(_france(tmp_path / "extract.csv"))
    units, sites = values(reading, "units"), values(reading, "sites")
    assert units[0] | {"site": ""} == {
        "unit": "extract-11",
        "site": "",
        "latitude": 47.5,
        "longitude": 1.25,
        "floor": "rdc",
        "spot": "à gauche de l'entrée",
        "in_service_on": date(2021, 5, 4),
        "notes": "c_gid: 901; c_etat_valid: validé; c_acc: intérieur; c_acc_lib: t; c_disp_j: lundi-vendredi; "
        "c_disp_h: 8h-18h; c_etat_fonct: en fonctionnement; c_freq_mnt: 12 mois; c_dispsurv: f; c_dermnt: 2026-02-01; "
        "c_maj_don: 2026-03-01; c_expt_rais: Commune de Vaubrune; c_dae_mobile: f",
    }
    assert units[0]["site"] == units[1]["site"]
    assert sites[0] | {"site": ""} == {
        "site": "",
        "name": "Salle des Tilleuls",
        "address": "18 allée des Tilleuls, 41999 Vaubrune",
        "latitude": 47.5,
        "longitude": 1.25,
        "country": "FR",
        "time_zone": "Europe/Paris",
    }
    assert [(part["unit"], part["kind"], part["label_date"]) for part in values(reading, "parts")] == [
        ("extract-11", "pads-child", LabelDate("2027-03-31", date(2027, 3, 31))),
        ("extract-11", "pads-adult", LabelDate("2027-06-30", date(2027, 6, 30))),
        ("extract-11", "battery", LabelDate("2028-01-31", date(2028, 1, 31))),
        ("extract-12", "battery", None),
        ("extract-12", "pads-adult", None),
        ("extract-13", "pads-child", None),
        ("extract-13", "pads-adult", LabelDate("2027-01-15", date(2027, 1, 15))),
        ("extract-13", "battery", None),
    ]
    assert any("read as: national extract, France" in remark for remark in reading.remarks)
    assert any(
        "c_etat_fonct, kept in the notes: (empty) 1, en fonctionnement 1, hors service 1" in remark
        for remark in reading.remarks
    )


def test_maintenance_by_someone_unknown_is_a_note_and_no_log_entry(tmp_path: Path) -> None:
    reading = read(_france(tmp_path / "extract.csv"))
    assert "log" not in reading.tables
    assert "c_dermnt: 2026-02-01" in str(reading.tables["units"][0].values["notes"])


@pytest.mark.parametrize(
    ("commune", "zone", "subdivision"),
    [
        ("41999", "Europe/Paris", None),
        ("57999", "Europe/Paris", "57"),
        ("67999", "Europe/Paris", "6AE"),
        ("97199", "America/Guadeloupe", "971"),
        ("97499", "Indian/Reunion", "974"),
        ("98799", "Pacific/Tahiti", "PF"),
        ("5700", "Europe/Paris", None),  # a leading zero was lost: 05700
    ],
)
def test_overseas_france_keeps_its_own_time(commune: str, zone: str, subdivision: str | None, tmp_path: Path) -> None:
    row = list(FRANCE_ROWS[0])
    row[FRANCE.index("c_com_insee")] = commune
    site = values(read(_france(tmp_path / "extract.csv", [row])), "sites")[0]
    assert (site["time_zone"], site.get("subdivision")) == (zone, subdivision)


def test_french_rows_that_do_not_parse_are_refused_one_by_one(tmp_path: Path) -> None:
    rows = [list(row) for row in FRANCE_ROWS]
    rows[0][FRANCE.index("c_dtpr_bat")] = "03/04/2027"
    rows[1][FRANCE.index("c_dtpr_lcad")] = "bientôt"
    rows[1][FRANCE.index("gid")] = rows[1][FRANCE.index("c_gid")] = ""
    rows[2][FRANCE.index("c_lat_coor1")] = "121,1"
    rows[2][FRANCE.index("c_lc_ped")] = "peut-être"
    problems = read(_france(tmp_path / "extract.csv", rows)).problems
    assert [(problem.row, problem.column) for problem in problems] == [
        (2, "c_dtpr_bat"),
        (3, "c_dtpr_lcad"),
        (4, "c_lat_coor1"),
        (4, "c_lc_ped"),
    ]


def test_a_published_row_needs_a_number_and_a_place(tmp_path: Path) -> None:
    rows = [list(JAPAN_ROWS[0]), list(JAPAN_ROWS[0])]
    rows[0][1] = ""
    rows[1][4] = rows[1][6] = rows[1][7] = ""
    assert [sentence.partition(": ")[2] for sentence in said(read(csv_file(tmp_path / "a.csv", [JAPAN, *rows])))] == [
        "has no number; every unit needs its own, for its code",
        "has neither a name nor an address; one of them is needed, to know the site",
    ]


def test_a_site_is_known_by_its_name_and_address_alone() -> None:
    assert site_mark("Ｈall  A", "1 Lane") == site_mark("hall a", "1 LANE")
    assert site_mark("Hall A", "1 Lane") != site_mark("Hall A", "2 Lane")
    assert site_mark("a", "b") != site_mark("", "a\nb")
    # Stored codes depend on it: this value may never change.
    assert site_mark("霧坂市役所", "霧坂市本町1-1 本館") == "azozbdwae4"


def test_a_layout_is_told_by_headings_and_not_by_content(tmp_path: Path) -> None:
    reading = read(xlsx_file(tmp_path / "b.xlsx", {"units": [["unit", "spot"], ["小児対応設備の有無", "設置位置"]]}))
    assert values(reading, "units") == [{"unit": "小児対応設備の有無", "spot": "設置位置"}]


def test_open_data_among_other_sheets_is_found_by_its_headings(tmp_path: Path) -> None:
    reading: Reading = read(
        xlsx_file(tmp_path / "b.xlsx", {"Deckblatt": [["Stand", "2026"]], "Liste": [JAPAN, *JAPAN_ROWS]})
    )
    assert len(values(reading, "units")) == 3


MAP = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "id": "node/7001",
            "properties": {
                "@id": "node/7001",
                "emergency": "defibrillator",
                "defibrillator:location": "beside the ticket desk",
                "level": "0",
                "indoor": "yes",
                "opening_hours": "Mo-Fr 08:00-18:00",
                "check_date": "2026-01-02",
            },
            "geometry": {"type": "Point", "coordinates": [7.5, 47.25]},
        },
        {
            "type": "Feature",
            "properties": {
                "@id": "way/7002",
                "emergency": "defibrillator",
                "name": "Quayside Halt",
                "addr:street": "Ferry Brae",
                "addr:housenumber": "2",
                "addr:country": "gb",
            },
            "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [0, 1], [1, 1], [0, 0]]]},
        },
        {"type": "Feature", "properties": {"emergency": "phone"}, "geometry": None},
    ],
}


def test_a_map_export_gives_a_unit_a_feature(tmp_path: Path) -> None:
    path = tmp_path / "map.geojson"
    path.write_text(json.dumps(MAP), "utf-8")
    reading = read(path, default_zone="Europe/Zurich")
    units, sites = values(reading, "units"), values(reading, "sites")
    assert units[0] == {
        "unit": "map-node-7001",
        "site": "map-node-7001",
        "latitude": 47.25,
        "longitude": 7.5,
        "spot": "beside the ticket desk",
        "floor": "0",
        "notes": "indoor: yes; opening_hours: Mo-Fr 08:00-18:00; check_date: 2026-01-02",
    }
    assert sites[0] == {
        "site": "map-node-7001",
        "name": "beside the ticket desk",
        "latitude": 47.25,
        "longitude": 7.5,
    }
    assert units[1]["unit"] == "map-way-7002"
    assert units[1]["latitude"] is None
    assert (sites[1]["name"], sites[1]["address"], sites[1]["country"]) == ("Quayside Halt", "Ferry Brae 2", "GB")
    assert "log" not in reading.tables  # seen there by somebody unknown: no check
    assert any("new sites get Europe/Zurich" in remark for remark in reading.remarks)
    assert any("no defibrillators: 1 features" in remark for remark in reading.remarks)


@pytest.mark.parametrize("text", ["{", "[]", '{"features": 1}', "[" * 100_000, "\x00"])
def test_a_map_export_that_is_none_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "map.geojson"
    path.write_text(text, "utf-8")
    with pytest.raises(UserError, match=r"map\.geojson is not"):
        read(path)


@pytest.mark.parametrize("features", ["[]", '[1, null, {"properties": {"emergency": "phone"}}]'])
def test_a_map_export_without_defibrillators_holds_no_unit(features: str, tmp_path: Path) -> None:
    path = tmp_path / "map.geojson"
    path.write_text(f'{{"features": {features}}}', "utf-8")
    assert read(path).tables == {}
