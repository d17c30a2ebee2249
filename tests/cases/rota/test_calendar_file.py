"""A calendar file is read as RFC 5545 says, with its published worked examples; nothing in it is dropped silently."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.cases.rota.calendar_file import CalendarFile, Reading, Unreadable

from .build import BERLIN, NEW_YORK, calendar, utc


def _read(body: bytes, start: str, end: str, zone: str = "Europe/London") -> Reading:
    return CalendarFile(body).between(utc(start), utc(end), ZoneInfo(zone))


def _spans(reading: Reading, zone: str) -> list[tuple[str, str]]:
    """From and until on the clock of the zone."""
    local = ZoneInfo(zone)
    return [
        (f"{s.from_at.astimezone(local):%Y-%m-%d %H:%M}", f"{s.until_at.astimezone(local):%Y-%m-%d %H:%M}")
        for s in reading.shifts
    ]


def _days(event: str, start: str = "1997-01-01", end: str = "1998-12-31", zone: str = NEW_YORK) -> list[str]:
    """The local days on which the shifts of one event begin; an hour each, from nine."""
    reading = _read(calendar(f"SUMMARY:P1\nDTSTART;TZID={zone}:{event}\nDURATION:PT1H"), start, end)
    assert reading.problems == ()
    starts = [shift.from_at.astimezone(ZoneInfo(zone)) for shift in reading.shifts]
    assert {at.time() for at in starts} <= {time(9)}
    return [at.date().isoformat() for at in starts]


def test_every_ten_days_five_times() -> None:
    # RFC 5545 §3.8.5.3, "Every 10 days, 5 occurrences".
    assert _days("19970902T090000\nRRULE:FREQ=DAILY;INTERVAL=10;COUNT=5") == [
        "1997-09-02", "1997-09-12", "1997-09-22", "1997-10-02", "1997-10-12",
    ]  # fmt: skip


def test_the_third_to_the_last_day_of_the_month() -> None:
    # RFC 5545 §3.8.5.3, "Monthly on the third-to-the-last day of the month, forever".
    found = _days("19970928T090000\nRRULE:FREQ=MONTHLY;BYMONTHDAY=-3", end="1998-03-01")
    assert found == ["1997-09-28", "1997-10-29", "1997-11-28", "1997-12-29", "1998-01-29", "1998-02-26"]


def test_the_first_and_last_day_of_the_month_ten_times() -> None:
    # RFC 5545 §3.8.5.3, "Monthly on the first and last day of the month for 10 occurrences".
    assert _days("19970930T090000\nRRULE:FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1") == [
        "1997-09-30", "1997-10-01", "1997-10-31", "1997-11-01", "1997-11-30", "1997-12-01", "1997-12-31",
        "1998-01-01", "1998-01-31", "1998-02-01",
    ]  # fmt: skip


def test_a_day_that_a_month_does_not_have_is_left_out_and_not_counted() -> None:
    # RFC 5545 §3.8.5.3, "An example where an invalid date (i.e., February 30) is ignored".
    found = _days("20070115T090000\nRRULE:FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-01", "2007-12-31")
    assert found == ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"]


def test_a_night_shift_keeps_its_hours_on_the_clock_through_both_changes() -> None:
    # Berlin 2027-03-28T01:00Z and 2027-10-31T01:00Z (IANA tzdata); the ends are what calendars show.
    event = f"SUMMARY:P1\nDTSTART;TZID={BERLIN}:20270326T180000\nDTEND;TZID={BERLIN}:20270327T060000\nRRULE:FREQ=DAILY"
    spring = _read(calendar(event), "2027-03-27 12:00", "2027-03-29 12:00").shifts
    assert [s.until_at - s.from_at for s in spring] == [timedelta(hours=11), timedelta(hours=12)]
    assert [s.from_at for s in spring] == [utc("2027-03-27 17:00"), utc("2027-03-28 16:00")]
    autumn = _read(calendar(event), "2027-10-30 12:00", "2027-11-01 12:00").shifts
    assert [s.until_at - s.from_at for s in autumn] == [timedelta(hours=13), timedelta(hours=12)]
    assert [s.from_at for s in autumn] == [utc("2027-10-30 16:00"), utc("2027-10-31 17:00")]


@pytest.mark.parametrize("length", [f"DTEND;TZID={BERLIN}:20270327T180000", "DURATION:P1D"])
def test_shifts_that_follow_on_one_another_leave_no_gap_when_the_clock_changes(length: str) -> None:
    event = f"SUMMARY:P1\nDTSTART;TZID={BERLIN}:20270326T180000\n{length}\nRRULE:FREQ=DAILY"
    shifts = _read(calendar(event), "2027-03-26 18:00", "2027-11-05").shifts
    assert all(one.until_at == then.from_at for one, then in pairwise(shifts))


def test_a_time_that_the_clock_skips_or_repeats_is_read_as_the_standard_says() -> None:
    # RFC 5545 §3.3.5: New York 2007-11-04 01:30 is 05:30Z, 2007-03-11 02:30 is 07:30Z.
    events = (
        f"SUMMARY:P1\nDTSTART;TZID={NEW_YORK}:20070311T023000\nDURATION:PT1H",
        f"SUMMARY:P1\nDTSTART;TZID={NEW_YORK}:20071104T013000\nDURATION:PT1H",
    )
    found = _read(calendar(*events), "2007-01-01", "2007-12-31").shifts
    assert [shift.from_at for shift in found] == [utc("2007-03-11 07:30"), utc("2007-11-04 05:30")]


def test_a_shift_of_whole_days_runs_over_the_year_end_to_the_day_before_dtend() -> None:
    # RFC 5545 §3.6.1: DTEND is exclusive; 20070628 to 20070709 is 28 June to 8 July.
    whole = "SUMMARY:P1\nDTSTART;VALUE=DATE:20261228\nDTEND;VALUE=DATE:20270104"
    assert _spans(_read(calendar(whole), "2026-12-31", "2027-01-01", BERLIN), BERLIN) == [
        ("2026-12-28 00:00", "2027-01-04 00:00")
    ]
    one_day = "SUMMARY:P1\nDTSTART;VALUE=DATE:20270328"
    found = _read(calendar(one_day), "2027-03-01", "2027-04-01", BERLIN).shifts
    assert [shift.until_at - shift.from_at for shift in found] == [timedelta(hours=23)]  # the clock skips an hour


def test_times_without_a_zone_are_those_of_the_file_and_else_of_the_fleet() -> None:
    event = "SUMMARY:P1\nDTSTART:20270601T080000\nDTEND:20270601T200000"
    days = "SUMMARY:P1\nDTSTART;VALUE=DATE:20270601"
    for zone, head in ((BERLIN, ""), (NEW_YORK, f"X-WR-TIMEZONE:{NEW_YORK}")):
        found = _read(calendar(event, days, head=head), "2027-05-30", "2027-06-05", BERLIN)
        assert _spans(found, zone) == [
            ("2027-06-01 00:00", "2027-06-02 00:00"),
            ("2027-06-01 08:00", "2027-06-01 20:00"),
        ]
    wrong = _read(calendar(event, head="X-WR-TIMEZONE:Nowhere/Else"), "2027-05-30", "2027-06-05", BERLIN)
    assert _spans(wrong, BERLIN) == [("2027-06-01 08:00", "2027-06-01 20:00")]
    assert "'Nowhere/Else' is not a known time zone" in wrong.problems[0]


def test_a_zone_that_the_file_itself_describes_is_used_and_an_unknown_one_is_said() -> None:
    rules = (
        "BEGIN:VTIMEZONE\nTZID:House time\nBEGIN:STANDARD\nDTSTART:19700101T000000\nTZOFFSETFROM:+0300\n"
        "TZOFFSETTO:+0300\nTZNAME:HT\nEND:STANDARD\nEND:VTIMEZONE"
    )
    event = "SUMMARY:P1\nDTSTART;TZID=House time:20270601T080000\nDTEND;TZID=House time:20270601T200000"
    known = _read(calendar(event, head=rules), "2027-05-30", "2027-06-05")
    assert [shift.from_at for shift in known.shifts] == [utc("2027-06-01 05:00")]
    assert known.problems == ()
    unknown = _read(calendar(event), "2027-05-30", "2027-06-05")
    assert [shift.from_at for shift in unknown.shifts] == [utc("2027-06-01 07:00")]
    assert unknown.problems == (
        "event 'P1' of 2027-06-01: time zone 'House time' is not known; it is read as Europe/London",
    )


WEEKLY = (
    f"UID:w\nSUMMARY:P1\nDTSTART;TZID={BERLIN}:20270301T080000\nDTEND;TZID={BERLIN}:20270308T080000\nRRULE:FREQ=WEEKLY"
)


def test_a_swap_takes_the_place_of_the_shift_that_it_names() -> None:
    swap = (
        f"UID:w\nSUMMARY:P2\nRECURRENCE-ID;TZID={BERLIN}:20270308T080000\n"
        f"DTSTART;TZID={BERLIN}:20270308T100000\nDTEND;TZID={BERLIN}:20270315T080000"
    )
    found = _read(calendar(WEEKLY, swap), "2027-03-01 12:00", "2027-03-16")
    assert [(shift.title, f"{shift.from_at:%m-%d %H}") for shift in found.shifts] == [
        ("P1", "03-01 07"), ("P2", "03-08 09"), ("P1", "03-15 07"),
    ]  # fmt: skip


def test_a_swap_of_the_future_holds_from_then_on() -> None:
    change = (
        f"UID:w\nSUMMARY:P2\nRECURRENCE-ID;RANGE=THISANDFUTURE;TZID={BERLIN}:20270308T080000\n"
        f"DTSTART;TZID={BERLIN}:20270308T080000\nDTEND;TZID={BERLIN}:20270315T080000"
    )
    found = _read(calendar(WEEKLY, change), "2027-03-01 12:00", "2027-03-23")
    assert [shift.title for shift in found.shifts] == ["P1", "P2", "P2", "P2"]


def test_what_is_cancelled_or_taken_out_is_no_shift_and_what_is_added_is_one() -> None:
    cancelled = (
        f"UID:w\nSUMMARY:P1\nSTATUS:CANCELLED\nRECURRENCE-ID;TZID={BERLIN}:20270308T080000\n"
        f"DTSTART;TZID={BERLIN}:20270308T080000\nDTEND;TZID={BERLIN}:20270315T080000"
    )
    out = WEEKLY + f"\nEXDATE;TZID={BERLIN}:20270315T080000\nRDATE;TZID={BERLIN}:20270317T080000"
    found = _read(calendar(out, cancelled), "2027-03-01 12:00", "2027-03-20")
    assert [f"{shift.from_at:%m-%d}" for shift in found.shifts] == ["03-01", "03-17"]
    gone = "SUMMARY:P1\nSTATUS:CANCELLED\nDTSTART;VALUE=DATE:20270302"
    assert _read(calendar(gone), "2027-03-01", "2027-03-10") == Reading((), ())


def test_the_higher_sequence_of_an_event_is_the_one_that_holds() -> None:
    old = "UID:s\nSEQUENCE:1\nSUMMARY:P1\nDTSTART;VALUE=DATE:20270302"
    new = "UID:s\nSEQUENCE:2\nSUMMARY:P2\nDTSTART;VALUE=DATE:20270304"
    for events in ((old, new), (new, old)):
        assert [shift.title for shift in _read(calendar(*events), "2027-03-01", "2027-03-10").shifts] == ["P2"]


@pytest.mark.parametrize(
    ("until", "last"),
    [
        ("20270610", "06-10"),
        ("20270609", "06-09"),
        ("20270610T160000Z", "06-10"),  # 18:00 in Berlin, the very start of the shift: it counts in
        ("20270610T155959Z", "06-09"),
        ("20270610T180000", "06-10"),
        ("20270610T175959", "06-09"),
    ],
)
def test_a_rule_that_ends_on_a_day_ends_with_that_day(until: str, last: str) -> None:
    event = f"SUMMARY:P1\nDTSTART;TZID={BERLIN}:20270601T180000\nDURATION:PT6H\nRRULE:FREQ=DAILY;UNTIL={until}"
    assert f"{_read(calendar(event), '2027-06-01', '2027-07-01').shifts[-1].from_at:%m-%d}" == last


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (f"DTSTART;TZID={BERLIN}:20270302T180000", "no end"),
        (f"DTSTART;TZID={BERLIN}:20270302T180000\nDTEND;TZID={BERLIN}:20270302T060000", "ends no later than it begins"),
        (f"DTSTART;TZID={BERLIN}:20270302T180000\nDURATION:-PT5M", "not longer than nothing"),
        (f"DTSTART;TZID={BERLIN}:20270302T180000\nDTEND;VALUE=DATE:20270303", "not both days or both times"),
        ("DTSTART;VALUE=DATE:20270302\nRRULE:FREQ=WEEKLY;BYDAY=XX", "RRULE"),
        ("DTSTART;VALUE=DATE:20270302\nDTEND;VALUE=DATE:nonsense", "DTEND"),
        ("DTSTART;VALUE=DATE:20270302\nDURATION:PT1H\nRRULE:FREQ=SECONDLY", "more often than every hour"),
        ("DTSTART;VALUE=DATE:20270302\nDTEND;VALUE=DATE:20290302", "longer than a year"),
        ("DTSTAMP:20270301T000000Z", "no DTSTART"),
        ("DTSTART:yesterday", "DTSTART"),
    ],
)
def test_an_event_that_cannot_be_a_shift_is_named_and_the_others_stand(lines: str, why: str) -> None:
    good = "SUMMARY:P2\nDTSTART;VALUE=DATE:20270303"
    found = _read(calendar(f"SUMMARY:Night\n{lines}", good), "2027-03-01", "2027-03-10")
    assert [shift.title for shift in found.shifts] == ["P2"]
    assert len(found.problems) == 1
    assert "event 'Night'" in found.problems[0] and why in found.problems[0]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"<html>sign in</html>",
        calendar("SUMMARY:P1\nDTSTART;VALUE=DATE:20270302")[:-20],
        b"\xff\xfe\x00",
        b"BEGIN:VEVENT\r\nEND:VEVENT\r\n",
    ],
)
def test_what_is_no_whole_calendar_is_unreadable(body: bytes) -> None:
    with pytest.raises(Unreadable, match="is not an iCalendar file"):
        CalendarFile(body)


def test_an_empty_calendar_and_two_in_one_file_are_read() -> None:
    assert _read(calendar(), "2027-03-01", "2027-03-10") == Reading((), ())
    both = calendar("SUMMARY:P1\nDTSTART;VALUE=DATE:20270302") + calendar("SUMMARY:P2\nDTSTART;VALUE=DATE:20270303")
    assert [shift.title for shift in _read(both, "2027-03-01", "2027-03-10").shifts] == ["P1", "P2"]


def test_attendees_who_declined_or_are_rooms_hold_no_shift() -> None:
    event = (
        "SUMMARY:Night\nDTSTART;VALUE=DATE:20270302\nATTENDEE;PARTSTAT=ACCEPTED:MAILTO:Ada@example.org\n"
        "ATTENDEE;PARTSTAT=DECLINED:mailto:ben@example.org\nATTENDEE;CUTYPE=ROOM:mailto:room@example.org\n"
        "ATTENDEE;ROLE=NON-PARTICIPANT:mailto:boss@example.org"
    )
    found = _read(calendar(event), "2027-03-01", "2027-03-10").shifts
    assert [shift.addresses for shift in found] == [("Ada@example.org",)]


def test_only_shifts_that_reach_into_the_time_are_given() -> None:
    event = "SUMMARY:P1\nDTSTART:20270302T080000Z\nDTEND:20270302T200000Z"
    assert _read(calendar(event), "2027-03-02 20:00", "2027-03-03").shifts == ()
    assert _read(calendar(event), "2027-03-02", "2027-03-02 08:00").shifts == ()
    assert len(_read(calendar(event), "2027-03-02 19:59", "2027-03-03").shifts) == 1


_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@settings(max_examples=60)
@given(
    first=st.dates(date(2026, 10, 1), date(2027, 11, 30)),
    days=st.sets(st.sampled_from(_WEEKDAYS), min_size=1),
    every=st.integers(1, 3),
    hour=st.integers(3, 23),
    hours=st.integers(1, 24),
    zone=st.sampled_from([BERLIN, NEW_YORK, "Australia/Lord_Howe", "Asia/Tokyo"]),
    ahead=st.integers(0, 60),
)
def test_weekly_shifts_are_those_of_a_walk_over_the_days(
    first: date, days: set[str], every: int, hour: int, hours: int, zone: str, ahead: int
) -> None:
    local = ZoneInfo(zone)
    # DTSTART is to be one of the rule's own days (RFC 5545 §3.8.5.3: else the set is undefined).
    while _WEEKDAYS[first.weekday()] not in days:
        first += timedelta(days=1)
    start = datetime.combine(first + timedelta(days=ahead), time(), local)
    end = start + timedelta(days=30)
    expected = []
    monday = first - timedelta(days=first.weekday())
    for number in range(120):
        day = first + timedelta(days=number)
        if _WEEKDAYS[day.weekday()] in days and (day - monday).days // 7 % every == 0:
            begins = datetime.combine(day, time(hour), local)
            ends = (begins + timedelta(hours=hours)).astimezone(ZoneInfo("UTC"))  # on the clock of the zone
            if begins.astimezone(ZoneInfo("UTC")) < end and ends > start:
                expected.append((begins.astimezone(ZoneInfo("UTC")), ends))
    ending = datetime.combine(first, time(hour)) + timedelta(hours=hours)
    event = (
        f"SUMMARY:P1\nDTSTART;TZID={zone}:{first:%Y%m%d}T{hour:02}0000\nDTEND;TZID={zone}:{ending:%Y%m%dT%H%M%S}\n"
        f"RRULE:FREQ=WEEKLY;INTERVAL={every};BYDAY={','.join(sorted(days))}"
    )
    found = CalendarFile(calendar(event)).between(start, end, local)
    assert found.problems == ()
    assert [(shift.from_at, shift.until_at) for shift in found.shifts] == expected
