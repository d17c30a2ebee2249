"""Model sheets: what they can say, what is refused, and that silence stays silence."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.reckoning.rules import ModelSheet, Shape, Span

from .build import SHEET, book

FULL = (
    SHEET
    + """
also = ["C-3"]
standby_months = 60
pads = ["pads-adult"]
child_by_switch = true
kit = ["kit-razor"]
battery_bars = 4
memory_events = 5
memory_hours_each = 3
rated_shocks = 200
rated_minutes = 600
doubling_celsius = 8
min_celsius = 0
max_celsius = 50

[intervals]
look = { months = 1 }
inspection = { months = 24, to = "month-end" }
"""
)


def test_every_key_of_a_sheet_is_read(tmp_path: Path) -> None:
    sheets = book(tmp_path, {}, {"corrie": FULL}).sheets
    assert sheets["Corrie 3"] == ModelSheet(
        model="Corrie 3",
        source="its manual, page 12",
        verified_on=date(2026, 11, 25),
        standby_months=60,
        pads=("pads-adult",),
        child_by_switch=True,
        kit=("kit-razor",),
        battery_bars=4,
        intervals=(("look", Shape(Span.MONTHS, 1)), ("inspection", Shape(Span.MONTHS_TO_MONTH_END, 24))),
        memory_events=5,
        memory_hours_each=3,
        rated_shocks=200,
        rated_minutes=600,
        doubling_celsius=8,
        min_celsius=0,
        max_celsius=50,
    )


@pytest.mark.parametrize("spelled", ["Corrie 3", "corrie 3", "CORRIE  3", " Corrie 3 ", "C-3", "c-3"])
def test_a_model_is_found_however_the_register_spells_its_case_and_spaces(tmp_path: Path, spelled: str) -> None:
    sheet = book(tmp_path, {}, {"corrie": FULL}).sheets.get(spelled)
    assert sheet is not None
    assert sheet.model == "Corrie 3"


@pytest.mark.parametrize("other", ["", "Corrie", "Corrie 33", "Corrie3"])
def test_another_name_finds_no_sheet(tmp_path: Path, other: str) -> None:
    assert book(tmp_path, {}, {"corrie": FULL}).sheets.get(other) is None


def test_a_silent_sheet_fills_nothing_in(tmp_path: Path) -> None:
    sheet = book(tmp_path, {}, {"corrie": SHEET}).sheets["Corrie 3"]
    assert sheet == ModelSheet("Corrie 3", "its manual, page 12", date(2026, 11, 25))
    assert sheet.interval("look") is None


@pytest.mark.parametrize(
    ("extra", "place", "cure"),
    [
        ("standby_months = 0", "key standby_months", "from 1 to 240"),
        ("standby_months = 600", "key standby_months", "from 1 to 240"),
        ("standby_month = 60", "key standby_month", "did you mean standby_months?"),
        ('pads = ["pads-child", "pad-adult"]', "key pads", "did you mean pads-adult?"),
        ('pads = ["pads-child"]\nchild_by_switch = true', "key child_by_switch", "take one of the two out"),
        ('kit = ["razor"]', "key kit", "such as kit-razor"),
        ("min_celsius = 10\nmax_celsius = 5", "key max_celsius", "not above min_celsius"),
        ("battery_bars = true", "key battery_bars", "a whole number"),
        ('also = [""]', "key also", "a list of texts"),
        ("[intervals]\nlook = { per_model = true }", "intervals, key look", "has no meaning here"),
        ("[intervals]\nlook = { label = true }", "intervals, key look", "has no meaning here"),
        ("[intervals]\nlook = { days = 0 }", "intervals, look, key days", "from 1 to"),
        ("[intervals]\nlooks = { days = 7 }", "intervals, key looks", "did you mean look?"),
        ("[intervals]\npads = { months = 24 }", "intervals, key pads", "is not known"),
    ],
)
def test_a_mistake_in_a_sheet_is_told_with_its_file_its_key_and_its_cure(
    tmp_path: Path, extra: str, place: str, cure: str
) -> None:
    with pytest.raises(UserError) as caught:
        book(tmp_path, {}, {"corrie": f"{SHEET}{extra}\n"})
    told = [line for line in str(caught.value).splitlines() if place in line]
    assert told, str(caught.value)
    assert any(cure in line for line in told), told
    assert all(str(tmp_path / "models" / "corrie.toml") in line for line in told)


def test_two_sheets_of_one_model_are_refused_and_both_files_named(tmp_path: Path) -> None:
    twice = {"corrie": SHEET, "corrie-again": SHEET.replace("Corrie 3", "CORRIE 3")}
    with pytest.raises(UserError, match=r"corrie-again\.toml.*has a sheet in .*corrie\.toml already"):
        book(tmp_path, {}, twice)


def test_the_shipped_sheets_are_invented_and_cover_what_the_demonstration_shows(tmp_path: Path) -> None:
    sheets = book(tmp_path, {}).sheets
    found = {sheet.model: sheet for sheet in sheets.values()}
    assert len(found) >= 3
    assert {sheet.source for sheet in found.values()} == {"invented for the demonstration"}
    # Common practice, no source: standby five years; memory of five events of three hours; child mode by a switch.
    five = [sheet for sheet in found.values() if sheet.standby_months == 60]
    assert [(sheet.memory_events, sheet.memory_hours_each, sheet.child_by_switch) for sheet in five] == [(5, 3, True)]
    assert any({"pads-adult", "pads-child"} <= set(sheet.pads) for sheet in found.values())
    assert any(sheet.interval("look") is None for sheet in found.values())


@pytest.mark.parametrize(
    ("lines", "key"),
    [
        ("rated_shocks = 200", "rated_shocks"),
        ("rated_minutes = 600", "rated_minutes"),
        ("standby_months = 60\nrated_shocks = 0", "rated_shocks"),
        ("standby_months = 60\ndoubling_celsius = 8", "doubling_celsius"),
        ("standby_months = 60\nrated_shocks = 200\ndoubling_celsius = 0", "doubling_celsius"),
    ],
)
def test_figures_of_a_drain_budget_that_tell_nothing_are_refused(tmp_path: Path, lines: str, key: str) -> None:
    with pytest.raises(UserError, match=f"corrie.toml, key {key}: "):
        book(tmp_path, {}, {"corrie": f"{SHEET}\n{lines}\n"})


def test_a_sheet_without_a_doubling_takes_ten_degrees(tmp_path: Path) -> None:
    text = f"{SHEET}\nstandby_months = 60\nrated_shocks = 200\n"
    assert book(tmp_path, {}, {"corrie": text}).sheets["Corrie 3"].doubling_celsius == 10
