"""Notices in the shapes that real ones had, with the limits they published. Only the figures are theirs.

FDA shapes: defibrillator recalls of 2007 to 2012. UK deadlines: device alerts at gov.uk/drug-device-alerts.
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from nightround.reckoning.notices import Days, Finding
from nightround.reckoning.numbering import Range, serial_within
from nightround.reckoning.owed import Standing
from tests.reckoning.core.build import d, duty

from .build import concern, judge, match, notice, ranges, reckon, unit

SERIALS = ranges(("205787", "207509"))
OCTOBER_TO_JANUARY = (Days(d("2003-10-01"), d("2005-01-31")),)


@pytest.mark.parametrize(
    ("serial", "finding"),
    [
        # FDA recall, 2007: serials 205787 through 207509, inclusive
        ("205786", Finding.CLEAR),
        ("205787", Finding.MATCHES),
        ("206500", Finding.MATCHES),
        ("207509", Finding.MATCHES),
        ("207510", Finding.CLEAR),
        ("20650", Finding.CLEAR),  # as text it would lie between the two
        ("2065000", Finding.CLEAR),
        ("", Finding.CANNOT_TELL),
    ],
)
def test_a_range_of_serials_holds_both_its_ends(serial: str, finding: Finding) -> None:
    assert match(notice(concern(serials=SERIALS)), unit(serial)).finding is finding


def test_that_range_holds_1723_serials() -> None:
    # FDA recall, 2007: about 1,700 units; computed from its ends: 1,723
    assert sum(serial_within(str(n), Range("205787", "207509")) is True for n in range(200_000, 220_000)) == 1723


@pytest.mark.parametrize(
    ("serial", "made_on", "finding"),
    [
        # FDA recall, 2007: those serials *and* made from October 2003 to January 2005
        ("206500", "2003-09-30", Finding.CLEAR),
        ("206500", "2003-10-01", Finding.MATCHES),
        ("206500", "2005-01-31", Finding.MATCHES),
        ("206500", "2005-02-01", Finding.CLEAR),
        ("205786", "2004-06-01", Finding.CLEAR),
        ("206500", None, Finding.CANNOT_TELL),
        ("", "2004-06-01", Finding.CANNOT_TELL),
        ("205786", None, Finding.CLEAR),  # outside already, whenever it was made
        ("", "2003-09-30", Finding.CLEAR),
    ],
)
def test_serials_and_days_of_making_must_both_hold_where_the_notice_says_so(
    serial: str, made_on: str | None, finding: Finding
) -> None:
    both = notice(concern(serials=SERIALS, made=OCTOBER_TO_JANUARY, all_of=True))
    assert match(both, unit(serial, made_on)).finding is finding


@pytest.mark.parametrize(
    ("model", "made_on", "finding"),
    [
        # FDA recall, 2007: four part numbers *and* made from 2007-03-29 to 2007-08-09
        ("OT-1", "2007-03-28", Finding.CLEAR),
        ("OT-1", "2007-03-29", Finding.MATCHES),
        ("OT-4", "2007-08-09", Finding.MATCHES),
        ("OT-4", "2007-08-10", Finding.CLEAR),
        ("OT-5", "2007-05-01", Finding.CLEAR),
        ("", "2007-05-01", Finding.CANNOT_TELL),
        ("", "2007-08-10", Finding.CLEAR),  # whatever its model
    ],
)
def test_one_of_several_part_numbers_and_a_day_of_making(model: str, made_on: str, finding: Finding) -> None:
    four = concern(models=("OT-1", "OT-2", "OT-3", "OT-4"), made=(Days(d("2007-03-29"), d("2007-08-09")),))
    assert match(notice(four), unit(made_on=made_on, model=model)).finding is finding


@pytest.mark.parametrize(
    ("firmware", "finding"),
    [
        # FDA recall: software version 2.004 or earlier
        ("2.004", Finding.MATCHES),
        ("2.003", Finding.MATCHES),
        ("1.9", Finding.MATCHES),
        ("2.005", Finding.CLEAR),
        ("10.0", Finding.CLEAR),  # as text it would come before 2.004
        ("V2.004", Finding.MATCHES),
        ("", Finding.CANNOT_TELL),
        ("2.01", Finding.CANNOT_TELL),  # 2.1 comes before 2.4, and 2.01 behind 2.004: who knows how they count?
    ],
)
def test_software_up_to_a_version_compares_numbers_and_not_text(firmware: str, finding: Finding) -> None:
    earlier = notice(concern(firmware=ranges(("", "2.004"))))
    assert match(earlier, unit(firmware=firmware)).finding is finding


@pytest.mark.parametrize(
    ("model", "made_on", "finding"),
    [
        # FDA recall, 2012: made and distributed from 2011-07-01 to 2011-12-30, across several brands
        ("Orrel Twin", "2011-07-01", Finding.MATCHES),
        ("Tarnlight Five", "2011-12-30", Finding.MATCHES),
        ("Tarnlight Five", "2011-12-31", Finding.CLEAR),
        ("Quennick S", "2011-08-01", Finding.CLEAR),
    ],
)
def test_days_of_making_across_several_brands(model: str, made_on: str, finding: Finding) -> None:
    brands = concern(models=("Orrel Twin", "Tarnlight Five"), made=(Days(d("2011-07-01"), d("2011-12-30")),))
    assert match(notice(brands), unit(made_on=made_on, model=model)).finding is finding


def test_a_whole_model_with_all_serials_needs_nothing_but_the_model() -> None:
    # FDA recall shape: whole model, all serials
    every = notice(concern(every_unit=True))
    assert match(every, unit()).finding is Finding.MATCHES
    assert match(every, unit("1", model="Quennick S")).finding is Finding.CLEAR
    assert match(every, unit("1", model="")).finding is Finding.CANNOT_TELL


def test_a_uk_notice_has_two_deadlines_and_then_stays_open_until_the_unit_is_fixed() -> None:
    # gov.uk, defibrillator alert of 2016: underway by 2016-10-27, complete by 2016-11-17; "not repair"
    alert = notice(concern(serials=SERIALS), underway_by=d("2016-10-27"), complete_by=d("2016-11-17"))
    assert alert.complete_by - alert.underway_by == timedelta(days=21)  # type: ignore[operator]

    def standing(day: str, *noted: tuple[str, str]) -> tuple[object, Standing]:
        found = duty(reckon(unit("206500", noted=noted), day, alert), "notice")
        return found.last_good_day, found.standing

    assert standing("2016-10-27") == (d("2016-10-27"), Standing.OPEN)
    assert standing("2016-10-28") == (d("2016-10-27"), Standing.OVERDUE)
    underway = ("underway", "2016-10-20")
    assert standing("2016-10-28", underway) == (d("2016-11-17"), Standing.OPEN)
    assert standing("2016-11-17", underway) == (d("2016-11-17"), Standing.OPEN)
    assert standing("2016-11-18", underway) == (d("2016-11-17"), Standing.OVERDUE)
    complete = ("complete", "2016-11-10")
    assert standing("2016-11-18", underway, complete) == (None, Standing.OPEN)
    assert standing("2026-11-25", complete) == (None, Standing.OPEN)
    fixed = unit("206500", noted=[underway, complete, ("corrected", "2017-02-01")])
    assert not [item for item in reckon(fixed, "2017-02-01", alert).duties if item.kind == "notice"]


def test_a_corrected_unit_leaves_by_record_and_its_serial_is_still_in_the_range() -> None:
    # FDA recall, 2012: after the correction the same serial comes back
    recall = notice(concern(serials=SERIALS))
    back = unit("206500", noted=[("corrected", "2012-09-01")])
    assert match(recall, back).finding is Finding.MATCHES
    assert judge(recall, back) == (Finding.CORRECTED, "serial 206500 is within 205787 to 207509", d("2012-09-01"))
