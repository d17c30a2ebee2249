"""Dates that cannot be right are refused with the reason, or kept and marked where a person insists."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightround.register.plausible import of_entry, of_part, of_unit
from tests.register.office import Office, write

TODAY = date(2026, 11, 25)


# Common practice, no source: pads last five years at most, batteries ten (reckoning.md §2).
@pytest.mark.parametrize(
    ("kind", "good", "fitted", "odd"),
    [
        ("pads-adult", date(2031, 11, 25), TODAY, False),  # five years to the day
        ("pads-adult", date(2031, 11, 26), TODAY, True),
        ("pads-child", date(2031, 11, 30), TODAY, False),  # a label of 2031-11: any day of that month
        ("pads-adult", date(2031, 12, 31), TODAY, True),
        ("pads-universal", date(2026, 6, 30), date(2020, 1, 2), True),  # past by now, and never right
        ("battery", date(2036, 11, 25), TODAY, False),
        ("battery", date(2036, 11, 26), TODAY, True),
        ("battery", date(2031, 1, 31), date(2020, 2, 29), True),
        ("battery", date(2030, 2, 28), date(2020, 2, 29), False),
        # When it was fitted is not known: it lasts from today at the least.
        ("pads-adult", date(2031, 11, 25), None, False),
        ("pads-adult", date(2032, 11, 25), None, True),
        ("battery", date(2037, 1, 15), None, True),
        ("kit-razor", date(2050, 1, 15), None, False),  # nobody knows how long a razor lasts
        ("battery", None, None, False),
    ],
)
def test_how_long_a_part_can_last(kind: str, good: date | None, fitted: date | None, odd: bool) -> None:
    found = of_part(kind, good, fitted, None, TODAY)
    assert [one.field for one in found] == (["label_date"] if odd else [])


@pytest.mark.parametrize(
    ("good", "fitted", "made", "fields"),
    [
        (None, date(2022, 2, 28), date(2022, 3, 1), ["fitted_on"]),
        (None, date(2022, 3, 1), date(2022, 3, 1), []),
        (date(2022, 2, 28), None, date(2022, 3, 1), ["label_date"]),
        (None, date(2026, 11, 26), None, ["fitted_on"]),
        (None, TODAY, None, []),
        (date(2027, 1, 1), date(2062, 1, 1), None, ["fitted_on"]),
    ],
)
def test_a_part_is_no_older_than_its_unit_and_not_fitted_yet_to_come(
    good: date | None, fitted: date | None, made: date | None, fields: list[str]
) -> None:
    assert [one.field for one in of_part("battery", good, fitted, made, TODAY)] == fields


@pytest.mark.parametrize(
    ("made", "service", "register", "fields"),
    [
        (date(2022, 3, 1), date(2022, 3, 1), date(2022, 3, 1), []),
        (date(2022, 3, 1), date(2022, 2, 1), None, ["in_service_on"]),
        (date(2022, 3, 1), None, date(2021, 3, 1), ["registered_on"]),
        (date(2026, 11, 26), None, None, ["made_on"]),
        (None, date(1999, 1, 1), None, []),
        (date(2022, 3, 1), date(2027, 1, 1), None, []),  # a day to come is refused apart (test_days_to_come)
    ],
)
def test_the_days_of_a_unit(made: date | None, service: date | None, register: date | None, fields: list[str]) -> None:
    assert [one.field for one in of_unit(made, service, register, TODAY)] == fields


def test_nothing_happened_to_a_unit_before_it_was_made() -> None:
    assert of_entry(date(2021, 1, 1), date(2022, 1, 1))
    assert not of_entry(date(2022, 1, 1), date(2022, 1, 1))
    assert not of_entry(date(2021, 1, 1), None)


SITES = "site | name | time_zone | country\nMILL | Mill | Europe/London | GB"
UNITS = "unit | site | made_on | in_service_on\nU1 | MILL | 2022-03-01 | 2022-01-02"
PARTS = "unit | kind | state | label_date | fitted_on\nU1 | battery | fitted | 2062-06 | 2024-05-02"
LOG = "unit | at | entry\nU1 | 2016-11-02 10:30 | fault"


def test_odd_dates_are_refused_with_the_reason(office: Office, tmp_path: Path) -> None:
    answer = office.run("import", write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, log=LOG))
    assert answer.status == 2
    assert [(place, row, column) for place, row, column, _ in answer.problems()] == [
        ("log.csv", 2, "at"),
        ("parts.csv", 2, "label_date"),
        ("units.csv", 2, "in_service_on"),
    ]
    assert all(cure.endswith("correct it, or keep it with --accept-odd") for *_, cure in answer.problems())
    assert "10 years after it was fitted (2024-05-02)" in answer.problems()[1][3]
    assert office.rows("SELECT count(*) FROM sites") == [(0,)]


def test_what_is_odd_is_kept_and_marked_where_a_person_insists(office: Office, tmp_path: Path) -> None:
    folder = write(tmp_path / "files", sites=SITES, units=UNITS, parts=PARTS, log=LOG)
    answer = office.bring(folder, "--accept-odd")
    assert [one["column"] for one in answer.document["odd"]] == ["in_service_on", "label_date", "at"]
    assert office.rows("SELECT label_date, odd FROM parts") in ([("2062-06", True)], [("2062-06", 1)])
    # What is there is not asked about again, and is not odd any more once it is right.
    again = office.bring(folder)
    assert again.document["changes"] == [] and again.document["odd"] == []
    corrected = office.bring(write(folder, parts=PARTS.replace("2062-06", "2028-06")))
    assert [change[1:] for change in corrected.changes()] == [
        ("label_date", "2062-06", "2028-06"),
        ("odd", "yes", "no"),
    ]
    assert office.rows("SELECT odd FROM parts") in ([(False,)], [(0,)])


def test_a_part_is_asked_about_again_when_its_unit_is_made_later(office: Office, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    parts = "unit | kind | state | fitted_on\nU1 | battery | fitted | 2023-05-02"
    office.bring(write(folder, sites=SITES, units="unit | site | made_on\nU1 | MILL | 2022-03-01", parts=parts))
    answer = office.run("import", write(folder, units="unit | site | made_on\nU1 | MILL | 2024-03-01", parts=parts))
    assert [problem[:3] for problem in answer.problems()] == [("parts.csv", 2, "fitted_on")]
