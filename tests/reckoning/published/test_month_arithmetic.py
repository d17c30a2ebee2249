"""Month arithmetic against the published series of RFC 5545 and the skip rules of RFC 7529."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import islice

import pytest
from dateutil.rrule import rrulestr

from nightround.reckoning.dates import ONE_DAY, add_months, last_good_day, month_end, period_end, period_start
from nightround.reckoning.rules import Shape, Span

from .shipped import d


def test_every_ten_days_from_2_september_1997() -> None:
    # RFC 5545 §3.8.5.3, "Every 10 days, 5 occurrences": September 2, 12, 22; October 2, 12
    days = [date(1997, 9, 2)]
    while len(days) < 5:
        days.append(last_good_day(Shape(Span.DAYS, 10), days[-1]))
    assert [(day.month, day.day) for day in days] == [(9, 2), (9, 12), (9, 22), (10, 2), (10, 12)]


def test_the_third_to_last_day_of_each_month_from_28_september_1997() -> None:
    # RFC 5545 §3.8.5.3, BYMONTHDAY=-3: September 28, October 29, November 28, December 29, January 29, February 26
    found = [month_end(add_months(date(1997, 9, 28), n)) - 2 * ONE_DAY for n in range(6)]
    assert [(day.month, day.day) for day in found] == [(9, 28), (10, 29), (11, 28), (12, 29), (1, 29), (2, 26)]


def test_the_first_and_last_day_of_each_month_from_30_september_1997() -> None:
    # RFC 5545 §3.8.5.3, BYMONTHDAY=1,-1, 10 occurrences
    found: list[date] = []
    for n in range(7):
        month = add_months(date(1997, 9, 30), n)
        found += [period_start(month, "month"), period_end(month, "month")]
    series = [day for day in found if day >= date(1997, 9, 30)][:10]
    assert [(day.month, day.day) for day in series] == [
        (9, 30),
        (10, 1),
        (10, 31),
        (11, 1),
        (11, 30),
        (12, 1),
        (12, 31),
        (1, 1),
        (1, 31),
        (2, 1),
    ]


def test_the_30th_of_february_is_dropped_by_a_recurrence_and_clamped_by_us() -> None:
    # RFC 5545 §3.8.5.3, BYMONTHDAY=15,30, 5 occurrences from 2007-01-15: Jan 15, 30; Feb 15; Mar 15, 30
    series = sorted(add_months(date(2007, 1, day), n) for day in (15, 30) for n in range(3))
    assert series == [d(f"2007-{day}") for day in ("01-15", "01-30", "02-15", "02-28", "03-15", "03-30")]
    without_clamped = [day for day in series if day.day in (15, 30)]
    assert without_clamped == [d(f"2007-{day}") for day in ("01-15", "01-30", "02-15", "03-15", "03-30")]


def skipped(start: date, n: int, skip: str) -> date | None:
    """What RFC 7529 §4.1 makes of the n-th month after the start: our clamp is BACKWARD, the others follow from it."""
    clamped = add_months(start, n)
    if clamped.day == start.day or skip == "BACKWARD":
        return clamped
    return clamped + ONE_DAY if skip == "FORWARD" else None


@pytest.mark.parametrize(
    ("skip", "step", "start", "series"),
    [
        # RFC 7529 §4.3.4: yearly from 2012-02-29
        ("FORWARD", 12, "2012-02-29", ["2013-03-01", "2014-03-01", "2015-03-01", "2016-02-29", "2017-03-01"]),
        # The same without SKIP (OMIT is the default): only 2012 and 2016
        ("OMIT", 12, "2012-02-29", ["2016-02-29"]),
        # From the definition of BACKWARD in RFC 7529 §4.1: the day before the one that does not exist
        ("BACKWARD", 12, "2012-02-29", ["2013-02-28", "2014-02-28", "2015-02-28", "2016-02-29", "2017-02-28"]),
        # From the definitions in RFC 7529 §4.1, monthly from the 31st
        ("BACKWARD", 1, "2014-01-31", ["2014-02-28", "2014-03-31", "2014-04-30", "2014-05-31", "2014-06-30"]),
        ("FORWARD", 1, "2014-01-31", ["2014-03-01", "2014-03-31", "2014-05-01", "2014-05-31", "2014-07-01"]),
        ("OMIT", 1, "2014-01-31", ["2014-03-31", "2014-05-31"]),
    ],
)
def test_the_clamp_is_what_rfc_7529_calls_backward(skip: str, step: int, start: str, series: list[str]) -> None:
    found = [skipped(d(start), step * n, skip) for n in range(1, 6)]
    assert [str(day) for day in found if day is not None] == series


@pytest.mark.parametrize(("start", "step"), [("2012-02-29", 12), ("2014-01-31", 1), ("2014-01-30", 1)])
def test_dateutil_agrees_on_which_days_do_not_exist(start: str, step: int) -> None:
    # dateutil's rrule follows RFC 5545: it omits days that do not exist
    day = d(start)
    rule = rrulestr(f"FREQ=MONTHLY;INTERVAL={step}", dtstart=datetime(day.year, day.month, day.day, tzinfo=UTC))
    theirs = [moment.date() for moment in islice(rule, 40)]
    ours = [skipped(day, step * n, "OMIT") for n in range(1000)]
    assert [found for found in ours if found is not None][:40] == theirs


def test_months_are_counted_from_the_evidence_and_do_not_drift() -> None:
    # reckoning.md §1: 31 August + 6 months is the end of February; the next six months come from the new evidence
    half_year = Shape(Span.MONTHS, 6)
    assert last_good_day(half_year, d("2026-08-31")) == d("2027-02-28")
    assert last_good_day(half_year, d("2027-08-31")) == d("2028-02-29")
    monthly = [add_months(d("2027-01-31"), n) for n in range(1, 4)]
    assert [str(day) for day in monthly] == ["2027-02-28", "2027-03-31", "2027-04-30"]


@pytest.mark.parametrize(
    ("period", "evidence", "good"),
    [
        # ISO 8601 weeks begin on Monday; 2026 has 53 of them, the last ends on Sunday 2027-01-03
        ("week", "2026-12-27", "2027-01-03"),
        ("week", "2026-12-28", "2027-01-10"),
        ("week", "2027-01-03", "2027-01-10"),
        ("month", "2027-12-01", "2028-01-31"),
        ("month", "2028-01-31", "2028-02-29"),
        ("quarter", "2026-11-25", "2027-03-31"),
        ("quarter", "2027-01-01", "2027-06-30"),
        ("year", "2026-01-02", "2027-12-31"),
        ("year", "2026-12-31", "2027-12-31"),
    ],
)
def test_once_in_each_calendar_period_is_good_to_the_end_of_the_next(period: str, evidence: str, good: str) -> None:
    assert last_good_day(Shape(Span.EACH, period=period), d(evidence)) == d(good)
