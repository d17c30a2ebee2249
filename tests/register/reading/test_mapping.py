"""Mapping files: what somebody's own headings mean."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.register.reading import read

from .build import csv_file, values, xlsx_file
from .test_open_data import JAPAN, JAPAN_ROWS


def _mapping(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "mapping.toml"
    path.write_text(text, "utf-8")
    return path


def test_a_mapping_says_what_sheets_and_headings_mean(tmp_path: Path) -> None:
    mapping = _mapping(
        tmp_path,
        """
        [sheets]
        "Tabelle1" = "units"
        [constants]
        "sites.country" = "de"
        "sites.time_zone" = "Europe/Berlin"
        "units.registered_with" = "state register"
        [units]
        "Inv.-Nr." = "unit"
        "Haus" = "site"
        "Pads bis" = "parts.pads-universal.label_date"
        "Schlüssel" = "notes+"
        "Farbe" = ""
        """,
    )
    rows = [["inv nr", "HAUS", "Pads bis", "Schlüssel", "Farbe", "Größe"], ["A", "S", "2027-02", "Pforte", "rot", "1"]]
    reading = read(xlsx_file(tmp_path / "b.xlsx", {"Tabelle1": rows, "Tabelle2": [["x"]]}), mapping=mapping)
    assert values(reading, "units") == [
        {"unit": "A", "site": "S", "registered_with": "state register", "notes": "Schlüssel: Pforte"}
    ]
    assert values(reading, "sites") == [{"site": "S", "country": "DE", "time_zone": "Europe/Berlin"}]
    assert [part["kind"] for part in values(reading, "parts")] == ["pads-universal"]
    assert [remark.partition("not read, ")[2] for remark in reading.remarks if "not read" in remark] == [
        "for nothing is known by that heading: 'Größe'",
        "for its name is no table's (sites, units, parts, people, training, log, rota, absences, closures)",
    ]


def test_a_mapping_overrides_a_layout(tmp_path: Path) -> None:
    path = csv_file(tmp_path / "aed.csv", [JAPAN, *JAPAN_ROWS])
    mapping = _mapping(tmp_path, '[units]\n"備考" = "cabinet"\n')
    unit = values(read(path, mapping=mapping), "units")[0]
    assert unit["cabinet"] == "夜間不可"
    assert "備考" not in unit["notes"]


def test_a_mapping_can_turn_layouts_off_or_choose_one(tmp_path: Path) -> None:
    rows = [[*JAPAN, "管理番号"], *([*row, f"A-{n}"] for n, row in enumerate(JAPAN_ROWS))]
    path = csv_file(tmp_path / "aed.csv", rows)
    plain = read(
        path, mapping=_mapping(tmp_path, 'layout = "none"\n[units]\n"名称" = "site"\n"住所" = "sites.address"\n')
    )
    assert plain.tables["units"][0].values["unit"] == "A-0"
    assert plain.tables["units"][0].values["site"] == "霧坂市役所"
    few = csv_file(tmp_path / "few.csv", [["NO", "名称"], ["1", "市役所"]])
    chosen = read(few, mapping=_mapping(tmp_path, 'layout = "japan"\nsource = "kirisaka"\n'))
    assert values(chosen, "units")[0]["unit"] == "kirisaka-1"


def test_a_source_that_is_said_beats_that_of_the_mapping(tmp_path: Path) -> None:
    few = csv_file(tmp_path / "few.csv", [["NO", "名称"], ["1", "市役所"]])
    mapping = _mapping(tmp_path, 'layout = "japan"\nsource = "kirisaka"\n')
    assert values(read(few, mapping=mapping, source="tsukino"), "units")[0]["unit"] == "tsukino-1"


def test_everything_wrong_with_a_mapping_is_said_at_once(tmp_path: Path) -> None:
    mapping = _mapping(
        tmp_path,
        """
        layout = "mars"
        colour = "red"
        [units]
        "a" = "sites.colour"
        "b" = "parts.pads.label_date"
        "c" = "unit"
        [sheets]
        "d" = "budget"
        [constants]
        "country" = "DE"
        "sites.time_zone" = "Mars/Olympus"
        """,
    )
    with pytest.raises(UserError) as caught:
        read(csv_file(tmp_path / "units.csv", [["unit"], ["A"]]), mapping=mapping)
    text = str(caught.value)
    assert text.startswith("mapping mapping.toml: ")
    for part in ("'mars'", "key colour", "'sites.colour'", "'parts.pads.label_date'", "'budget'", "country", "Olympus"):
        assert part in text


@pytest.mark.parametrize(
    ("raw", "why"), [(b"layout = ", "is not TOML"), (b'source = "\xff"', "is not UTF-8"), (None, "cannot be read")]
)
def test_a_mapping_that_cannot_be_read_is_one_sentence(raw: bytes | None, why: str, tmp_path: Path) -> None:
    path = tmp_path / "mapping.toml"
    if raw is not None:
        path.write_bytes(raw)
    with pytest.raises(UserError, match=why):
        read(csv_file(tmp_path / "units.csv", [["unit"], ["A"]]), mapping=path)


def test_a_mapping_can_pass_a_sheet_over(tmp_path: Path) -> None:
    path = xlsx_file(tmp_path / "b.xlsx", {"units": [["unit"], ["A"]], "Planning": [["Monday"], ["cake"]]})
    assert [problem.sheet for problem in read(path).problems] == ["Planning"]
    reading = read(path, mapping=_mapping(tmp_path, '[sheets]\n"planning" = ""\n'))
    assert values(reading, "units") == [{"unit": "A"}]
    assert reading.remarks == []
