"""Every sample of published-facts §4.2 to §4.4, with its source; and what a scanner can get wrong."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from biip.checksums import gs1_standard_check_digit
from hypothesis import given
from hypothesis import strategies as st

from nightround.errors import UserError
from nightround.register.scanning.hibc import check_character
from nightround.register.scanning.label import full_year
from nightround.register.scanning.scan import scan

TODAY = date(2026, 11, 25)
FNC1 = "\x1d"


def d(text: str) -> date:
    return date.fromisoformat(text)


def read(text: str, today: date = TODAY) -> dict[str, Any]:
    return scan(text, today).as_dict()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # FDA "UDI formats by issuing agency" v1.3, 2017-01-27 (READ)
        (
            "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234",
            {
                "product": "51022222233336",
                "made_on": d("2014-12-31"),
                "expires_on": d("2015-07-07"),
                "lot": "A213B1",
                "serial": "1234",
            },
        ),
        # HL7 v2 PRT-10 (READ)
        (
            "(01)00643169001763(17)160712(21)21A11F4855",
            {"product": "00643169001763", "expires_on": d("2016-07-12"), "serial": "21A11F4855"},
        ),
        # AI (17), DD=00 is the last day of the month: GenSpecs text, EMVS note (READ)
        ("17210300", {"expires_on": d("2021-03-31")}),
        ("17210331", {"expires_on": d("2021-03-31")}),
        ("17270200", {"expires_on": d("2027-02-28")}),
        ("17280200", {"expires_on": d("2028-02-29")}),
    ],
)
def test_gs1_labels_are_read(text: str, says: dict[str, Any]) -> None:
    found = read(text)
    assert found["kind"] == "gs1"
    assert {key: found[key] for key in says} == says
    assert found["warnings"] == []
    assert found["raw"] == text


@pytest.mark.parametrize("prefix", ["", "]d2", "]C1", FNC1])
def test_gs1_with_separators_and_symbology_identifiers(prefix: str) -> None:
    found = read(f"{prefix}0151022222233336111412311715070710A213B1{FNC1}211234")
    assert (found["lot"], found["serial"], found["expires_on"]) == ("A213B1", "1234", d("2015-07-07"))


def test_gs1_without_separators_never_yields_a_greedy_lot() -> None:
    # The bare FDA sample; python-stdnum and others read the lot as A213B1211234 (reproduced, §4.2)
    found = read("0151022222233336111412311715070710A213B1211234")
    assert found["lot"] == ""
    assert found["expires_on"] == d("2015-07-07")
    assert "no separators" in found["warnings"][0]


def test_gs1_without_separators_is_read_where_nothing_can_hide() -> None:
    assert read("0151022222233336171507071" + "0A9B")["lot"] == "A9B"


def test_gs1_digital_link() -> None:
    found = read("https://example.org/some/01/09521234543213/10/ABC1/21/7%2F8?17=290430&linkType=x")
    assert (found["product"], found["lot"], found["serial"]) == ("09521234543213", "ABC1", "7/8")
    assert found["expires_on"] == d("2029-04-30")


def test_a_wrong_gtin_check_digit_warns_and_is_still_read() -> None:
    # Parse example for the US GUDID service: computed 7, printed 5 (§4.4)
    found = read("(01)00208851107345(17)150331")
    assert found["expires_on"] == d("2015-03-31")
    assert "check digit" in found["warnings"][0]


@pytest.mark.parametrize(
    "gtin",
    # FDA document, HL7, GS1 samples (READ strings; 629… from memory; checks COMPUTED)
    ["51022222233336", "00643169001763", "09501101530003", "09521234543213", "08717648200274", "6291041500213"],
)
def test_published_gtins_hold_their_check_digit(gtin: str) -> None:
    assert read(f"(01){gtin}")["warnings"] == []


@pytest.mark.parametrize(
    ("digits", "check"),
    # gs1.se, GS1 UK leaflet, gs1india (READ)
    [("730001100001", "7"), ("890400021003", "7"), ("501234567890", "0")],
)
def test_published_check_digits(digits: str, check: str) -> None:
    assert read(f"(01){digits}{check}")["warnings"] == []
    assert read(f"(01){digits}{(int(check) + 1) % 10}")["warnings"] != []
    assert str(gs1_standard_check_digit(digits)) == check  # the second opinion


@pytest.mark.parametrize(
    ("yy", "today", "year"),
    # GenSpecs §7.12 as cited and coded in biip 5.2.0 (READ*); values of §4.2 COMPUTED
    [
        (76, 2026, 2076),
        (77, 2026, 1977),
        (60, 2026, 2060),
        (99, 2026, 1999),
        (0, 2051, 2100),
        (1, 2051, 2101),
        (69, 2026, 2069),  # Python's %y says 1969
        (51, 2026, 2051),  # a fixed window of 51-99 says 1951
    ],
)
def test_the_century_slides(yy: int, today: int, year: int) -> None:
    assert full_year(yy, date(today, 6, 1)) == year


@given(st.integers(0, 99), st.dates(date(1990, 1, 1), date(2150, 1, 1)))
def test_the_century_is_the_only_one_within_49_years_back_and_50_ahead(yy: int, today: date) -> None:
    assert -49 <= full_year(yy, today) - today.year <= 50
    assert full_year(yy, today) % 100 == yy


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # ANSI/HIBC 2.6 B.2.0 Fig 1 (READ)
        ("+A123BJC5D6E71G", {"product": "A123BJC5D6E7"}),
        # ANSI/HIBC 2.6 §4.3.2 Fig 5 (READ)
        ("+$$52001510X3GD", {"expires_on": d("2020-01-15"), "lot": "10X3"}),
        # §2.2.1.1 (READ)
        ("+A99912345/$$52001510X33", {"product": "A9991234", "expires_on": d("2020-01-15"), "lot": "10X3"}),
        # open test suite after the standard (READ)
        (
            "+A99912345/$$52001510X3/16D20111212/S77DEFG457",
            {"expires_on": d("2020-01-15"), "lot": "10X3", "made_on": d("2011-12-12"), "serial": "77DEFG45"},
        ),
        ("+$$0624J139276%5", {"expires_on": d("2024-06-30"), "lot": "J139276"}),
        # GUDID parser sample (READ)
        (
            "+DVIV572812AN1/$XL2389/16D20190517/14D20210830Y",
            {"product": "DVIV572812AN", "lot": "XL2389", "made_on": d("2019-05-17"), "expires_on": d("2021-08-30")},
        ),
    ],
)
def test_hibc_labels_are_read(text: str, says: dict[str, Any]) -> None:
    found = read(text)
    assert found["kind"] == "hibc"
    assert {key: found[key] for key in says} == says
    assert found["warnings"] == []


def test_a_wrong_hibc_check_character_warns_and_is_still_read() -> None:
    # HL7 v2 PRT-10 and FHIR device-example-udi3: computed H, printed C (§4.4); expiry 2020-02-02, made 2013-02-02
    found = read("+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C")
    assert found["product"] == "H123PARTNO123456789012"
    assert (found["expires_on"], found["made_on"]) == (d("2020-02-02"), d("2013-02-02"))
    assert (found["lot"], found["serial"]) == ("LOT123456789012345", "XYZ456789012345678")
    assert "should be 'H'" in found["warnings"][0]


@pytest.mark.parametrize(
    ("field", "expires", "lot"),
    # Forms of §4.3 (BWIPP wiki, hibcc.org: READ); the strings are ours
    [
        ("$$0629L1", "2029-06-30", "L1"),
        ("$$1229L1", "2029-12-31", "L1"),
        ("$$2063029L1", "2029-06-30", "L1"),
        ("$$3290630L1", "2029-06-30", "L1"),
        ("$$429063014L1", "2029-06-30", "L1"),
        ("$$529181L1", "2029-06-30", "L1"),
        ("$$62918114L1", "2029-06-30", "L1"),
        ("$$7L1", None, "L1"),
        ("$$8053290630L1", "2029-06-30", "L1"),
        ("$$9000123290630L1", "2029-06-30", "L1"),
        ("$$8057L1", None, "L1"),
        ("29181L1", "2029-06-30", "L1"),
        ("$L1", None, "L1"),
    ],
)
def test_every_hibc_date_form(field: str, expires: str | None, lot: str) -> None:
    body = f"+A99912345/{field}"
    found = read(body + check_character(body))
    assert found["expires_on"] == (d(expires) if expires else None)
    assert found["lot"] == lot
    assert found["warnings"] == []


@pytest.mark.parametrize(("field", "serial"), [("$+S1", "S1"), ("$$+3290630S1", "S1"), ("$$+7S1", "S1")])
def test_hibc_serials(field: str, serial: str) -> None:
    body = f"+A99912345/{field}"
    assert read(body + check_character(body))["serial"] == serial


@pytest.mark.parametrize("field", ["$$3291330L1", "$$529366L1", "$$0029L1", "17291330", "$$2"])
def test_a_date_that_is_no_day_warns_and_is_never_guessed(field: str) -> None:
    body = f"+A99912345/{field}" if field.startswith("$") else field
    found = read(body + check_character(body) if body.startswith("+") else body)
    assert found["expires_on"] is None
    assert "no day" in found["warnings"][0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # HL7 v2 PRT-10 sample (READ): recognised by its first character
        ("=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123", "ICCBBA"),
        ("", "empty"),
        ("  \n", "empty"),
        ("hello", "cannot be read"),
        ("+", "cannot be read"),
        ("+123/$$", "cannot be read"),
        ("+é12345", "cannot be read"),
        ("9" * 600, "characters"),
    ],
)
def test_what_is_no_label_is_declined_in_a_sentence(text: str, said: str) -> None:
    with pytest.raises(UserError, match=said):
        scan(text, TODAY)


@given(st.text(max_size=60) | st.from_regex(r"\A[+(\]]?[0-9A-Z$/()\x1d]{0,40}\Z"))
def test_any_text_is_read_or_declined(text: str) -> None:
    try:
        found = scan(text, TODAY)
    except UserError:
        return
    assert found.raw in text
