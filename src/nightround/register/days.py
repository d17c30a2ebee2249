"""Reads dates and times as people and spreadsheets write them. It never guesses which of two numbers is the month.

A date whose order is not plain (03/04/2027) is refused until the order is said; a day of a month above 12 says it by
itself. A year and month on a label is good to the last day of that month (21 CFR 801.18 and Regulation (EU) 2017/745,
Annex I 23.2(i) for the forms; the GS1 General Specifications for the last day).
"""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import NamedTuple, TypeVar

from .cells import Cell, Refused, bare, plain
from .found import LabelDate
from .monthnames import MONTHS

ORDERS = ("day-first", "month-first", "iso")
YEARS = range(1980, 2101)  # what a date in a register of defibrillators can be

_EPOCH_1900 = date(1899, 12, 30)  # from 1 March 1900 on; the day that 1900 did not have is long past
_EPOCH_1904 = date(1904, 1, 1)
_WRITE = "write it as year-month-day, such as 2027-04-30"
_LONGEST = 100  # characters that a date with its time can have, blanks included
_SERIAL = re.compile(r"\d{5}(?:\.\d+)?")

_CLOCK = re.compile(
    r"(?P<rest>.*?)(?:[ t]|日)\s*(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?P<zone>z|utc|gmt|[+-]\d{2}:?\d{2})?"
)
_YEAR_FIRST = re.compile(r"(\d{4})\s*([-/.年])\s*(\d{1,2})(?:\s*([-/.月])\s*(\d{1,2})\s*日?|月)?")
_BASIC = re.compile(r"(\d{4})(\d{2})(\d{2})")
_ERA = re.compile(r"(令和|平成)\s*(\d{1,2}|元)年\s*(\d{1,2})月(?:\s*(\d{1,2})日)?")
_MONTH_YEAR = re.compile(r"(\d{1,2})\s*[-/.]\s*(\d{4})")
_YEAR_LAST = re.compile(r"(\d{1,2})\s*([-/. ])\s*(\d{1,2})\s*[-/. ]\s*(\d{4})")
_SHORT_YEAR = re.compile(
    r"\d{1,2}\s*[-/. ]\s*(?:\d{1,2}\s*[-/. ]\s*)?\d{2}|'?\d{2}[-/. ]*[^\W\d]+|[^\W\d]+[-/. ']*\d{2}"
)
_NAMED = re.compile(
    r"(?:(?P<d1>\d{1,2})(?:st|nd|rd|th|er|\.)?[-/ ]*(?:of |de )?)?"
    r"(?P<month>[^\W\d]+)\.?"
    r"(?:[-/ ]*(?P<d2>\d{1,2})(?:st|nd|rd|th)?(?=[-/, ]))?"
    r"[-/, ]*(?P<year>\d{4})"
)
_YEAR_THEN_NAME = re.compile(r"(?P<year>\d{4})[-/ ]*(?P<month>[^\W\d]+)\.?(?:[-/ ]*(?P<d1>\d{1,2}))?(?P<d2>)")
_ERAS = {"令和": 2018, "平成": 1988}  # the year before the era's first


T = TypeVar("T")


class Found(NamedTuple):
    """A date as written; `day` 0 where only a month is given."""

    year: int
    month: int
    day: int


class Days:
    """Reads the dates of one column. `order` is one of ORDERS, or None where nobody said; `from_1904` is the
    workbook's epoch for bare serial numbers. What a person should know of the column is noted in the attributes."""

    def __init__(self, order: str | None = None, *, from_1904: bool = False) -> None:
        self._order = order
        self._epoch = _EPOCH_1904 if from_1904 else _EPOCH_1900
        self.epoch_year = 1904 if from_1904 else 1900
        self.serials = False  # bare serial numbers were read as dates
        self.months_only = False  # a month was given for a day: its first day was taken
        self.firsts = 0  # label dates in date cells that fall on the first of a month
        self._days: dict[str, date | Refused | None] = {}
        self._labels: dict[str, LabelDate | Refused | None] = {}

    def day(self, cell: Cell) -> date | None:
        """A civil day. Of a month alone, the first day: what is reckoned from it is then never too late."""
        if not isinstance(cell, str):
            return self._from_cell(cell).date()
        return _once(self._days, cell, self._day)

    def label(self, cell: Cell) -> LabelDate | None:
        """The date on a label or card, with its last good day."""
        if isinstance(cell, str):
            return _once(self._labels, cell, self._label)
        day = self._from_cell(cell).date()
        self.firsts += day.day == 1
        return LabelDate(day.isoformat(), day)

    def instant(self, cell: Cell) -> datetime | None:
        """A time; naive (local to the site) where no zone is written. Of a day alone, its start."""
        return self._instant(cell) if isinstance(cell, str) else self._from_cell(cell)

    def until(self, cell: Cell) -> datetime | None:
        """An end, exclusive. Of a day alone, the end of that day: "until Sunday" includes Sunday."""
        found = self.instant(cell)
        if found is None or found.tzinfo is not None or found.time() != time():
            return found
        if isinstance(cell, str) and ":" in plain(cell):
            return found
        return found + timedelta(days=1)

    def _day(self, cell: str) -> date | None:
        text = _folded(cell)
        if not text:
            return None
        if _SERIAL.fullmatch(text):
            return self._from_serial(float(text)).date()
        clock = _CLOCK.fullmatch(text)
        found = read(clock["rest"] if clock else text, self._order)
        if found.day == 0:
            self.months_only = True
            return date(found.year, found.month, 1)
        return date(*found)

    def _label(self, cell: str) -> LabelDate | None:
        text = _folded(cell)
        if not text:
            return None
        if _SERIAL.fullmatch(text):
            day = self._from_serial(float(text)).date()
            return LabelDate(day.isoformat(), day)
        clock = _CLOCK.fullmatch(text)
        found = read(clock["rest"] if clock else text, self._order)
        good = date(found.year, found.month, found.day or monthrange(found.year, found.month)[1])
        raw = bare(cell)
        return LabelDate(raw if len(raw) <= 32 and raw.isprintable() else _iso(found), good)

    def _instant(self, cell: str) -> datetime | None:
        text = _folded(cell)
        if not text:
            return None
        if _SERIAL.fullmatch(text):
            return self._from_serial(float(text))
        clock = _CLOCK.fullmatch(text)
        found = read(clock["rest"] if clock else text, self._order)
        if found.day == 0:
            raise Refused("is a month; the day is needed: " + _WRITE)
        day = date(*found)
        return datetime.combine(day, *_time_of(clock)) if clock else datetime.combine(day, time())

    def _from_cell(self, cell: Cell) -> datetime:
        if isinstance(cell, datetime):
            found = cell
        elif isinstance(cell, date):
            found = datetime.combine(cell, time())
        elif isinstance(cell, int | float) and not isinstance(cell, bool):
            if 1e7 <= cell < 1e8 and cell == int(cell) and len(str(int(cell))) == 8:
                return datetime.combine(date(*read(str(int(cell)), self._order)), time())
            return self._from_serial(float(cell))
        else:
            raise Refused("is not a date; " + _WRITE)
        if found.year not in YEARS:
            raise Refused(f"lies outside the years {YEARS[0]} to {YEARS[-1]}; correct the date")
        return found

    def _from_serial(self, number: float) -> datetime:
        if 0 < number < 100_000:
            whole = int(number)
            seconds = round((number - whole) * 86_400)
            found = datetime.combine(self._epoch, time()) + timedelta(days=whole, seconds=seconds)
            if found.year in YEARS and whole > 60:
                self.serials = True
                return found
        raise Refused("is not a date; " + _WRITE)


def read(text: str, order: str | None = None) -> Found:
    """The date in a text that `plain` has been through, in lower case, without a time of day.

    Raises Refused, saying the cure, for anything that is not a date in the years YEARS or whose order is not plain.
    """
    if found := _YEAR_FIRST.fullmatch(text):
        year, first, month, second, day = found.groups()
        if (first == "年") != ("月" in text) or (second is not None and (first == "年") != (second == "月")):
            raise Refused("is not a date; " + _WRITE)
        return _checked(int(year), int(month), int(day or 0), needs_day=day is not None)
    if found := _BASIC.fullmatch(text):
        return _checked(*map(int, found.groups()), needs_day=True)
    if found := _YEAR_LAST.fullmatch(text):
        return _ordered(int(found[1]), int(found[3]), int(found[4]), order)
    if found := _MONTH_YEAR.fullmatch(text):
        return _checked(int(found[2]), int(found[1]), 0)
    if found := _ERA.fullmatch(text):
        era, year, month, day = found.groups()
        return _checked(_ERAS[era] + (1 if year == "元" else int(year)), int(month), int(day or 0))
    if found := _NAMED.fullmatch(text) or _YEAR_THEN_NAME.fullmatch(text):
        return _named(found)
    if re.fullmatch(r"\d{4}", text):
        raise Refused("says no more than a year; write year and month at least: 2027-04-30, or 2027-04")
    if _SHORT_YEAR.fullmatch(text) or re.fullmatch(r"\d{6}", text):
        raise Refused("can be read in more than one way; write the year in four digits: 2027-04-30, or 2027-04")
    raise Refused("is not a date; " + _WRITE)


def label_text(raw: str, last_good_day: date) -> str:
    """How a label date is written so that it reads back alone: as it was typed, or the day where its order is not
    plain."""
    try:
        again = Days().label(raw)
    except Refused:
        again = None
    return raw if again is not None and again.last_good_day == last_good_day else last_good_day.isoformat()


def _ordered(first: int, second: int, year: int, order: str | None) -> Found:
    if order == "iso":
        raise Refused("is not written year first, as --dates iso says; write it as 2027-04-30")
    if first == 0 or second == 0:
        raise Refused("is not a date; " + _WRITE)
    if first > 12 or second > 12:
        found = Found(year, second, first) if first > 12 else Found(year, first, second)
        written = "day-first" if first > 12 else "month-first"
        if order not in (None, written) and min(first, second) <= 12 and max(first, second) <= 31:
            raise Refused(f"is written {written}, but --dates {order} was said; " + _WRITE)
        return _checked(*found, needs_day=True)
    if first == second or order is not None:
        day, month = (first, second) if order != "month-first" else (second, first)
        return _checked(year, month, day, needs_day=True)
    raise Refused(
        f"can be {year}-{second:02}-{first:02} or {year}-{first:02}-{second:02}; "
        "say which with --dates day-first or --dates month-first, or write the year first"
    )


def _named(found: re.Match[str]) -> Found:
    month = MONTHS.get(_without_accents(found["month"]))
    if month is None or (found["d1"] and found["d2"]):
        raise Refused("is not a date; " + _WRITE)
    return _checked(int(found["year"]), month, int(found["d1"] or found["d2"] or 0))


def _checked(year: int, month: int, day: int, *, needs_day: bool = False) -> Found:
    if year not in YEARS:
        raise Refused(f"lies outside the years {YEARS[0]} to {YEARS[-1]}; correct the date")
    if not 1 <= month <= 12:
        raise Refused(f"has no month {month}; " + _WRITE)
    if day > monthrange(year, month)[1] or (needs_day and day == 0):
        raise Refused(f"does not exist: {year}-{month:02} has {monthrange(year, month)[1]} days; correct the date")
    return Found(year, month, day)


def _time_of(clock: re.Match[str]) -> tuple[time, timezone | None]:
    hour, minute, second = int(clock["hour"]), int(clock["minute"]), int(clock["second"] or 0)
    if clock["half"]:
        if not 1 <= hour <= 12:
            raise Refused("has no such time of day; write the time as 14:30")
        hour = hour % 12 + (12 if clock["half"].startswith("p") else 0)
    try:
        at = time(hour, minute, second, int((clock["part"] or "0")[:6].ljust(6, "0")))
    except ValueError:
        raise Refused("has no such time of day; write the time as 14:30") from None
    zone = clock["zone"]
    if not zone:
        return at, None
    if zone[0] not in "+-":
        return at, UTC
    digits = zone[1:].replace(":", "")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    if offset >= timedelta(hours=24):
        raise Refused("has no such offset from UTC; write the time as 2026-11-25T14:30+01:00")
    return at, timezone(-offset if zone[0] == "-" else offset)


def _folded(cell: str) -> str:
    if len(cell) > _LONGEST:
        raise Refused("is far too long for a date; " + _WRITE)
    return plain(cell).casefold().rstrip(".")


def _once(seen: dict[str, T | Refused], cell: str, read_cell: Callable[[str], T]) -> T:
    """What reading the cell gives, read once: dates come again and again in a column."""
    try:
        found = seen[cell]
    except KeyError:
        try:
            found = read_cell(cell)
        except Refused as refused:
            found = refused
        seen[cell] = found
    if isinstance(found, Refused):
        raise Refused(str(found))
    return found


def _without_accents(text: str) -> str:
    return "".join(char for char in unicodedata.normalize("NFKD", text) if not unicodedata.combining(char))


def _iso(found: Found) -> str:
    return f"{found.year}-{found.month:02}" + (f"-{found.day:02}" if found.day else "")
