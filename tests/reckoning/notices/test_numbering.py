"""Serial, lot and version numbers: inside, outside, or not to be told."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from packaging.version import Version

from nightround.reckoning.numbering import Numbers, Range, alike, serial_within, version_order, version_within

from .build import ranges

YES, NO, UNTOLD = True, False, None


@pytest.mark.parametrize(
    ("serial", "first", "last", "inside"),
    [
        # common practice, no source: how serials are written on plates, in registers and in notices
        ("A000150", "A000100", "A000200", YES),
        ("a-000150", "A000100", "A000200", YES),  # case and separators are the writer's
        ("A 000201", "A000100", "A000200", NO),
        ("B000150", "A000100", "A000200", NO),  # another series
        ("000150", "A000100", "A000200", UNTOLD),  # somebody left the letter out, or it is another series
        ("000250", "A000100", "A000200", NO),  # outside with any letter
        ("SN150", "100", "200", UNTOLD),
        ("SN250", "100", "200", NO),
        ("0150", "100", "200", YES),
        ("0", "000", "000", YES),
        ("150/2", "100", "200", UNTOLD),
        ("A12-0500", "A12-0001", "A12-0999", YES),
        ("A13-0500", "A12-0001", "A12-0999", NO),
        ("A120500", "A12-0001", "A12-0999", UNTOLD),
        ("150", "100", "", YES),
        ("99", "100", "", NO),
        ("150", "", "200", YES),
        ("201", "", "200", NO),
        ("n/a", "100", "200", UNTOLD),
        ("illegible", "A100", "A200", UNTOLD),
        ("?", "100", "200", UNTOLD),
        ("１５０", "100", "200", YES),  # full-width digits of a Japanese register
    ],
)
def test_a_serial_lies_in_a_range_or_not_or_cannot_be_told(
    serial: str, first: str, last: str, inside: bool | None
) -> None:
    assert serial_within(serial, Range(first, last)) is inside


@pytest.mark.parametrize(
    ("lot", "holds"),
    [
        ("4711-A", YES),
        ("4711a", YES),
        ("4712-A", NO),
        ("4711", UNTOLD),
        ("4711-B", NO),
        ("0099", YES),
        ("99", YES),
        ("000", YES),
        ("0", YES),
        ("XYZ", UNTOLD),  # no digits: may stand for "not legible"
        ("-", UNTOLD),
        ("2305", YES),
    ],
)
def test_a_lot_is_named_by_itself_or_in_a_range(lot: str, holds: bool | None) -> None:
    named = Numbers(ranges("4711-A", "0099", "00", ("2300", "2310")))
    assert named.hold(lot)[0] is holds


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("2.004", "10.0"),
        ("2.9", "2.10"),
        ("3.1", "3.1b"),
        ("3.1a", "3.1b"),
        ("3.1b", "3.2"),
        ("2", "2.0.1"),
        ("A.02.17", "B.01.01"),
        ("Rev. B", "Rev. C"),
        ("2016-10-27", "2016-11-17"),
        ("2.004", "2.005"),
        ("2.004", "2.5"),
    ],
)
def test_versions_have_an_order_that_holds_both_ways(earlier: str, later: str) -> None:
    # common practice, no source: how makers count versions of device software
    assert (version_order(earlier, later), version_order(later, earlier)) == (-1, 1)


@pytest.mark.parametrize(
    ("one", "other"), [("2.0", "2"), ("V2.004", "2.004"), ("Version 3.1B", "3.1b"), ("3.1", "3.1.0"), ("02.1", "2.1")]
)
def test_versions_can_be_the_same_and_written_differently(one: str, other: str) -> None:
    assert version_order(one, other) == version_order(other, one) == 0


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("2.004", "2.01"),  # 4 and 1, or 004 and 01 behind a decimal point
        ("2.04", "2.4"),
        ("3.1 beta", "3.1"),  # before it or after it?
        ("3.1b", "3.1.2"),
        ("unknown", "3.1"),
        ("?", "3.1"),
        ("Alpha 2", "Omega 2"),
    ],
)
def test_versions_that_could_be_either_way_round_are_not_told(one: str, other: str) -> None:
    assert version_order(one, other) is None
    assert version_order(other, one) is None


@pytest.mark.parametrize(
    ("version", "inside"), [("1.9", NO), ("2.0", YES), ("2.10", YES), ("2.11", NO), ("beta", UNTOLD), ("9 beta", NO)]
)
def test_a_version_lies_between_two(version: str, inside: bool | None) -> None:
    assert version_within(version, Range("2.0", "2.10")) is inside


DOTTED = st.lists(st.integers(0, 200), min_size=1, max_size=4)


@given(DOTTED, DOTTED)
def test_dotted_versions_order_as_a_well_kept_library_orders_them(one: list[int], other: list[int]) -> None:
    a, b = (".".join(map(str, version)) for version in (one, other))
    assert version_order(a, b) == (Version(a) > Version(b)) - (Version(a) < Version(b))


TEXTS = st.text(alphabet="0123456789.abz- v", max_size=8)


@given(TEXTS, TEXTS)
def test_the_order_of_two_versions_is_that_of_the_other_two_turned_round(one: str, other: str) -> None:
    order = version_order(one, other)
    assert version_order(other, one) == (None if order is None else -order)


@given(st.integers(0, 10**7), st.integers(0, 10**7), st.integers(0, 10**7), st.integers(0, 9))
@example(0, 0, 0, 2)
def test_a_serial_of_digits_lies_where_its_number_lies(number: int, one: int, other: int, width: int) -> None:
    first, last = sorted((one, other))
    named = Range(f"{first:0{width}}", f"{last:0{width}}")
    assert serial_within(f"{number:0{width}}", named) is (first <= number <= last)
    assert Numbers([named]).hold(str(number))[0] is (first <= number <= last)


@given(st.text(max_size=12), st.text(max_size=12), st.text(max_size=12))
def test_whatever_people_write_is_answered(serial: str, first: str, last: str) -> None:
    assert Numbers([Range(first, first)]).hold(first)[0] is True
    version_order(serial, first)
    if alike(first, last):
        assert serial_within(serial, Range(first, last)) in (True, False, None)


@given(st.integers(0, 9999), st.integers(0, 9999), st.sampled_from(["", "A", "B", "SN"]))
def test_a_single_number_is_told_as_the_range_of_that_number_alone(number: int, named: int, letters: str) -> None:
    single = Numbers([Range(str(named), str(named))])
    assert single.hold(f"{letters}{number}")[0] is serial_within(f"{letters}{number}", Range(str(named), str(named)))
