# ruff: noqa: DTZ001  (a naive time is local to the site: that is what is read)
"""Dates in, dates out. Sources: 21 CFR 801.18(a) (YYYY-MM-DD; 2 January 2014 is 2014-01-02); Regulation (EU) 2017/745
Annex I 23.2(i) (at least year and month); the GS1 rule that a date without a day ends with its month (published-facts
of the trade, 4.1 and 4.2); ISO 8601 for the rest; everyday writing of dates in four languages where nothing is named.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightround.register.cells import Cell, Refused
from nightround.register.days import YEARS, Days, label_text
from nightround.register.found import LabelDate

DAYS = st.dates(date(YEARS[0], 1, 1), date(YEARS[-1], 12, 31))


@pytest.mark.parametrize(
    ("written", "last_good"),
    [
        ("2014-01-02", date(2014, 1, 2)),  # 21 CFR 801.18(a), the rule's own example
        ("2027-02", date(2027, 2, 28)),  # (EU) 2017/745: year and month will do
        ("2021-03", date(2021, 3, 31)),  # medicine batch "March 2021" expires at its very end
        ("March 2021", date(2021, 3, 31)),
        ("2028-02", date(2028, 2, 29)),  # leap year, as GS1 17280200
        ("02/2027", date(2027, 2, 28)),
        ("02.2027", date(2027, 2, 28)),
        ("2/2027", date(2027, 2, 28)),
        ("2027/02", date(2027, 2, 28)),
        ("Feb 2027", date(2027, 2, 28)),
        ("Feb-2027", date(2027, 2, 28)),
        ("FEB. 2027", date(2027, 2, 28)),
        ("2027 Feb", date(2027, 2, 28)),
        ("Februar 2027", date(2027, 2, 28)),
        ("févr. 2027", date(2027, 2, 28)),
        ("août 2027", date(2027, 8, 31)),
        ("März 2027", date(2027, 3, 31)),
        ("2027年2月", date(2027, 2, 28)),
        ("２０２７年２月", date(2027, 2, 28)),
        ("令和9年2月", date(2027, 2, 28)),  # Reiwa 1 is 2019
        ("令和元年5月", date(2019, 5, 31)),
        ("平成31年4月", date(2019, 4, 30)),  # Heisei 31 is 2019
        ("20270430", date(2027, 4, 30)),  # ISO 8601 basic
        ("2027/4/30", date(2027, 4, 30)),
        ("2027.04.30", date(2027, 4, 30)),
        ("2027. 4. 30.", date(2027, 4, 30)),
        ("2027年4月30日", date(2027, 4, 30)),
        ("2027‑04‑30", date(2027, 4, 30)),  # dashes of a word processor
        ("25/04/2027", date(2027, 4, 25)),
        ("04/25/2027", date(2027, 4, 25)),
        ("25.4.2027", date(2027, 4, 25)),
        ("25-04-2027", date(2027, 4, 25)),
        ("05/05/2027", date(2027, 5, 5)),  # both orders say the same
        ("30 April 2027", date(2027, 4, 30)),
        ("April 30, 2027", date(2027, 4, 30)),
        ("30-Apr-2027", date(2027, 4, 30)),
        ("2027-Apr-30", date(2027, 4, 30)),
        ("3rd of April 2027", date(2027, 4, 3)),
        ("3. April 2027", date(2027, 4, 3)),
        ("1er avril 2027", date(2027, 4, 1)),
        ("2027-04-30 00:00:00", date(2027, 4, 30)),
        ("'2027-04-30", date(2027, 4, 30)),
        (date(2027, 4, 30), date(2027, 4, 30)),
        (datetime(2027, 4, 30, 12, 0), date(2027, 4, 30)),
        (46507.0, date(2027, 4, 30)),  # a spreadsheet's count of days from 1900: 2027-04-30 is 46507
        ("46507", date(2027, 4, 30)),
        (20270430.0, date(2027, 4, 30)),
    ],
)
def test_a_label_date_is_good_to_its_last_day(written: Cell, last_good: date) -> None:
    found = Days().label(written)
    assert found is not None
    assert found.last_good_day == last_good


def test_a_label_date_keeps_what_was_typed() -> None:
    assert Days().label(" Feb 2027 ") == LabelDate("Feb 2027", date(2027, 2, 28))
    assert Days().label(date(2027, 2, 1)) == LabelDate("2027-02-01", date(2027, 2, 1))
    assert Days().label(46507) == LabelDate("2027-04-30", date(2027, 4, 30))


@pytest.mark.parametrize(
    ("written", "day_first", "month_first"),
    [
        ("03/04/2027", date(2027, 4, 3), date(2027, 3, 4)),
        ("3.4.2027", date(2027, 4, 3), date(2027, 3, 4)),
        ("03-04-2027", date(2027, 4, 3), date(2027, 3, 4)),
        ("12 11 2027", date(2027, 11, 12), date(2027, 12, 11)),
        ("０３／０４／２０２７", date(2027, 4, 3), date(2027, 3, 4)),
    ],
)
def test_an_ambiguous_date_is_refused_until_the_order_is_said(written: str, day_first: date, month_first: date) -> None:
    with pytest.raises(Refused, match="--dates day-first or --dates month-first"):
        Days().day(written)
    assert Days("day-first").day(written) == day_first
    assert Days("month-first").day(written) == month_first
    with pytest.raises(Refused, match="not written year first"):
        Days("iso").day(written)


def test_the_refusal_names_both_readings() -> None:
    with pytest.raises(Refused, match="can be 2027-04-03 or 2027-03-04"):
        Days().label("03/04/2027")


@pytest.mark.parametrize(("order", "written"), [("month-first", "25/04/2027"), ("day-first", "04/25/2027")])
def test_a_date_in_the_other_order_than_was_said_is_refused(order: str, written: str) -> None:
    with pytest.raises(Refused, match=f"--dates {order} was said"):
        Days(order).day(written)


@pytest.mark.parametrize("order", [None, "day-first", "month-first", "iso"])
@pytest.mark.parametrize("written", ["2027-04-03", "2027/4/3", "2027年4月3日", "3 April 2027", "20270403"])
def test_a_date_whose_order_is_plain_reads_the_same_whatever_was_said(order: str | None, written: str) -> None:
    assert Days(order).day(written) == date(2027, 4, 3)


@pytest.mark.parametrize(
    "written",
    [
        "03/04/27",  # the year has two digits
        "04/27",
        "Feb 27",
        "27 Feb",
        "Feb-27",
        "270200",  # YYMMDD or DDMMYY
        "202702",
        "2027",
        "2027-02-30",
        "31/02/2027",
        "2027-13",
        "2027-00",
        "2027-02-00",
        "00/04/2027",
        "13/13/2027",
        "1900-01-01",
        "9999-12-31",
        "soon",
        "n/a",
        "2027-04-30 or so",
        "2027年4",
        "15",
        "3.5",
        2027.0,
        59.0,
        -5.0,
        1e9,
        True,
        "30/4/2027/1",
        "Foo 2027",
        "2027-04-30" + "x" * 100_000,
    ],
)
def test_what_is_no_date_or_more_than_one_is_refused(written: Cell) -> None:
    for order in (None, "day-first", "month-first", "iso"):
        with pytest.raises(Refused):
            Days(order).label(written)


@pytest.mark.parametrize(
    ("serial", "from_1904", "day"),
    [
        # The two date systems differ by 1,462 days (the spreadsheet maker's documentation, from memory).
        (46507, False, date(2027, 4, 30)),
        (46507 - 1462, True, date(2027, 4, 30)),
        (36526, False, date(2000, 1, 1)),
        (36526 - 1462, True, date(2000, 1, 1)),
    ],
)
def test_serial_numbers_count_from_the_workbooks_epoch(serial: int, from_1904: bool, day: date) -> None:
    days = Days(from_1904=from_1904)
    assert days.day(float(serial)) == days.day(str(serial)) == day
    assert days.serials


def test_a_month_for_a_day_of_evidence_is_its_first_day() -> None:
    days = Days()
    assert days.day("2024-02") == date(2024, 2, 1)
    assert days.months_only


@pytest.mark.parametrize(
    ("written", "instant"),
    [
        ("2026-11-25T14:30:00+01:00", datetime(2026, 11, 25, 14, 30, tzinfo=timezone(timedelta(hours=1)))),
        (
            "2026-11-25T14:30:00.123+0100",
            datetime(2026, 11, 25, 14, 30, 0, 123000, tzinfo=timezone(timedelta(hours=1))),
        ),
        ("2026-11-25T14:30Z", datetime(2026, 11, 25, 14, 30, tzinfo=UTC)),
        ("2026-11-25 14:30", datetime(2026, 11, 25, 14, 30)),
        ("25/11/2026 2:30 pm", datetime(2026, 11, 25, 14, 30)),
        ("25/11/2026 12:05 a.m.", datetime(2026, 11, 25, 0, 5)),
        ("2026年11月25日 14:30", datetime(2026, 11, 25, 14, 30)),
        ("2026-11-25", datetime(2026, 11, 25)),
        (46351.5, datetime(2026, 11, 25, 12, 0)),
        (date(2026, 11, 25), datetime(2026, 11, 25)),
        (datetime(2026, 11, 25, 14, 30), datetime(2026, 11, 25, 14, 30)),
    ],
)
def test_times_are_local_unless_a_zone_is_written(written: Cell, instant: datetime) -> None:
    found = Days().instant(written)
    assert found == instant
    assert found is not None
    assert found.utcoffset() == instant.utcoffset()


@pytest.mark.parametrize("written", ["2026-11", "2026-11-25 24:30", "2026-11-25 13:00 pm", "03/04/2026 10:00", "14:30"])
def test_a_time_that_cannot_be_is_refused(written: str) -> None:
    with pytest.raises(Refused):
        Days().instant(written)


def test_until_a_day_is_until_its_end() -> None:
    days = Days()
    assert days.until("2026-12-06") == datetime(2026, 12, 7)
    assert days.until(date(2026, 12, 6)) == datetime(2026, 12, 7)
    assert days.until("2026-12-06 00:00") == datetime(2026, 12, 6)
    assert days.until("2026-12-06T00:00Z") == datetime(2026, 12, 6, tzinfo=UTC)
    assert days.until("2026-12-06 08:00") == datetime(2026, 12, 6, 8)


@given(DAYS, st.sampled_from(("%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%Y年%m月%d日", "%d %B %Y", "%d-%b-%Y", "%B %d, %Y")))
def test_every_day_written_plainly_reads_back(day: date, form: str) -> None:
    assert Days().day(day.strftime(form)) == day


@given(DAYS)
def test_a_numeric_date_is_read_in_the_order_said_or_not_at_all(day: date) -> None:
    written = day.strftime("%d/%m/%Y")
    assert Days("day-first").day(written) == day
    try:
        assert Days().day(written) == day
    except Refused:
        assert day.day <= 12 and day.day != day.month


@given(DAYS, st.sampled_from(("%d/%m/%Y", "%Y-%m", "%B %Y", "%Y-%m-%d", "17%y%m%d")))
def test_a_label_date_as_it_is_written_out_reads_back_alone(day: date, form: str) -> None:
    raw = day.strftime(form)
    try:
        good = Days("day-first").label(raw)
    except Refused:
        good = LabelDate(raw, day)
    assert good is not None
    again = Days().label(label_text(good.raw, good.last_good_day))
    assert again is not None
    assert again.last_good_day == good.last_good_day
