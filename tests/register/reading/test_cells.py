"""Text, codes and numbers as they stand in cells; and text that no spreadsheet runs."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from nightround.register import cells
from nightround.register.cells import Refused, join_pairs, neutral, restore, split_pairs


@given(st.text())
@example("=1+1")
@example("'")
@example("''")
@example("'=1+1")
@example("'quoted'")
@example(" =1+1")
@example("\t=1")
@example("＝1")
def test_a_neutralised_text_is_restored_exactly(text: str) -> None:
    assert restore(neutral(text)) == text


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠", " =", "\u00a0=", "\u3000@"])
def test_no_text_that_a_spreadsheet_may_run_is_written_bare(start: str) -> None:
    assert neutral(f"{start}HYPERLINK(1)") == f"'{start}HYPERLINK(1)"


@pytest.mark.parametrize("text", ["reception", "3 of 4", "#3", "'s-Hertogen", "", "a=b"])
def test_other_texts_restore_to_themselves(text: str) -> None:
    assert restore(text) == text
    assert restore(neutral(text)) == text


@given(
    st.dictionaries(
        st.sampled_from(("battery", "pads", "note", "lot", "of-our-own")),
        st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]) | st.sampled_from("\n;\\=")).map(str.strip),
        min_size=1,
    )
)
@example({"note": "a;b=c\\;d"})
@example({"note": "\\n"})
def test_pairs_in_one_cell_come_back_exactly(pairs: dict[str, str]) -> None:
    assert split_pairs(join_pairs(pairs)) == pairs


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        (7.0, "7"),
        (7, "7"),
        (7.5, "7.5"),
        ("007", "007"),
        ("  MILL-03 ", "MILL-03"),
        ("ＭＩＬＬ－０３", "MILL-03"),
        ("AED\u300012", "AED 12"),
        ("\ufeffA1\u200b", "A1"),
        ("A1\n", "A1"),
        (123456789012345.0, "123456789012345"),
        ("   ", None),
        ("'=7", "=7"),
    ],
)
def test_codes_are_text_and_keep_their_leading_zeros(cell: cells.Cell, read: str | None) -> None:
    assert cells.code(cell) == read


@pytest.mark.parametrize(
    ("cell", "cure"),
    [
        (date(2027, 3, 4), "made a date of this code"),
        (time(3, 4), "made a time of this code"),
        (True, "made a true-or-false value of this code"),
        (1234567890123456.0, "has rounded this long number"),
        ("1.23457E+15", "has shortened this long number"),
        ("#N/A", "could not work this cell out"),
        ("A\x07B", "control character U+0007"),
        ("A\x00B", "control character U+0000"),
        ("A\x9fB", "control character U+009F"),
    ],
)
def test_a_code_that_a_spreadsheet_spoilt_is_refused(cell: cells.Cell, cure: str) -> None:
    with pytest.raises(Refused, match=cure.replace("+", r"\+")):
        cells.code(cell)


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("reception,\nleft of the lift", "reception, left of the lift"),
        ("reception,\r\n left", "reception, left"),
        ("１階　ロビー", "１階　ロビー"),
        ("  two  words  ", "two  words"),
        ("a\tb", "a b"),
        (1.0, "1"),
        (time(9, 0), "09:00"),
        (timedelta(hours=24), "24:00"),
        (date(2027, 2, 1), "2027-02-01"),
        (True, "true"),
        ("'+49 30 1", "+49 30 1"),
        ("+49 30 1", "+49 30 1"),
        ("\u3000", None),
    ],
)
def test_text_stays_as_typed_on_one_line(cell: cells.Cell, read: str | None) -> None:
    assert cells.line(cell) == read


def test_notes_keep_their_lines_and_a_scanned_code_its_separators() -> None:
    assert cells.notes("one\r\ntwo\n") == "one\ntwo"
    assert cells.scanned("0109501101530003\x1d10A1") == "0109501101530003\x1d10A1"
    with pytest.raises(Refused, match=r"U\+001D"):
        cells.line("0109501101530003\x1d10A1")


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("51.5", 51.5),
        ("51,5", 51.5),
        ("-0.12", -0.12),
        ("'-0.12", -0.12),
        ("５１．５", 51.5),
        ("−33,9", -33.9),
        (3, 3.0),
        (" ", None),
    ],
)
def test_numbers_may_have_a_decimal_comma_and_full_width_digits(cell: cells.Cell, read: float | None) -> None:
    assert cells.number(cell) == read


@pytest.mark.parametrize("cell", ["51°30'N", "1.234,5", "1e5", "nan", "inf", "five", True, date(2027, 1, 1)])
def test_what_is_no_number_is_refused(cell: cells.Cell) -> None:
    with pytest.raises(Refused):
        cells.number(cell)


def test_positions_lie_on_the_earth() -> None:
    assert cells.latitude("-90") == -90
    assert cells.longitude(180) == 180
    with pytest.raises(Refused, match="are latitude and longitude exchanged"):
        cells.latitude("134.05")
    with pytest.raises(Refused, match="no longitude"):
        cells.longitude("180.1")


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("t", True),
        ("f", False),
        ("有", True),
        ("無", False),
        ("TRUE", True),
        ("false", False),
        (True, True),
        ("oui", True),
        ("Nein", False),
        ("", None),
    ],
)
def test_flags_are_read_in_four_languages(cell: cells.Cell, read: bool | None) -> None:
    assert cells.flag(cell) is read


def test_a_flag_that_says_neither_is_refused() -> None:
    with pytest.raises(Refused, match="neither yes nor no"):
        cells.flag("maybe")


@pytest.mark.parametrize("cell", ["battery", "=ok", "battery=ok; battery=low"])
def test_pairs_without_a_name_or_twice_are_refused(cell: str) -> None:
    with pytest.raises(Refused):
        split_pairs(cell)


YEAR = "-2;-0.04;4;8,5;13;16;18;17.96;14;9;4;1"


def test_monthly_temperatures_are_twelve_numbers_kept_to_a_tenth() -> None:
    kept = "-2;0;4;8.5;13;16;18;18;14;9;4;1"
    assert cells.monthly_celsius(YEAR) == kept
    assert cells.monthly_celsius(neutral(YEAR)) == kept
    assert cells.monthly_celsius(kept) == kept
    assert cells.monthly_celsius(" ") is None


@pytest.mark.parametrize("cell", ["1;2;3", YEAR + ";1", "a" + YEAR, ";" * 11, 12.5, date(2026, 1, 1), True])
def test_anything_but_twelve_numbers_is_refused(cell: cells.Cell) -> None:
    with pytest.raises(Refused):
        cells.monthly_celsius(cell)


def test_degrees_that_are_not_celsius_are_refused() -> None:
    with pytest.raises(Refused, match="61 °C"):
        cells.monthly_celsius(YEAR.replace("18;", "61;", 1))
