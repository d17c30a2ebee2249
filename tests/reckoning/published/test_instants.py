"""Instants, civil dates and the changes of clocks, against the rules of the IANA time zone database."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from nightround.reckoning.dates import hours_after, local_day, local_instant

from .shipped import at, d

# IANA tzdata 2025b, rules `u 2007 ma Mar Su>=8 2`, `E 1981 ma Mar lastSu 1u`, `AS 2008 ma`; instants computed.
CHANGES = [
    ("America/New_York", 2027, ["2027-03-14T07:00", "2027-11-07T06:00"]),
    ("Europe/London", 2027, ["2027-03-28T01:00", "2027-10-31T01:00"]),
    ("Europe/Berlin", 2027, ["2027-03-28T01:00", "2027-10-31T01:00"]),
    ("Australia/Adelaide", 2027, ["2027-04-03T16:30", "2027-10-02T16:30"]),
    ("Australia/Lord_Howe", 2027, ["2027-04-03T15:00", "2027-10-02T15:30"]),
    ("Asia/Tokyo", 2027, []),
    ("Asia/Singapore", 2027, []),
    ("America/Sao_Paulo", 2027, []),
    ("America/New_York", 2026, ["2026-03-08T07:00", "2026-11-01T06:00"]),
    ("Europe/London", 2026, ["2026-03-29T01:00", "2026-10-25T01:00"]),
]


@pytest.mark.parametrize(("zone", "year", "instants"), CHANGES)
def test_clocks_change_at_the_published_instants_and_at_no_other(zone: str, year: int, instants: list[str]) -> None:
    local = ZoneInfo(zone)
    moment, found = datetime(year, 1, 1, tzinfo=UTC), []
    before = moment.astimezone(local).utcoffset()
    while moment.year == year:
        moment += timedelta(minutes=30)
        after = moment.astimezone(local).utcoffset()
        if after != before:
            a_second_before = (moment - timedelta(seconds=1)).astimezone(local).utcoffset()
            assert a_second_before == before
            found.append(f"{moment:%Y-%m-%dT%H:%M}")
        before = after
    assert found == instants


def test_lord_howe_moves_by_thirty_minutes() -> None:
    local = ZoneInfo("Australia/Lord_Howe")
    summer, winter = (datetime(2027, month, 1, tzinfo=UTC).astimezone(local).utcoffset() for month in (1, 7))
    assert summer is not None and winter is not None
    assert summer - winter == timedelta(minutes=30)


@pytest.mark.parametrize(
    ("day", "wall", "instant"),
    [
        # RFC 5545 §3.3.5: what happens twice is its first; what is skipped takes the offset from before the gap
        ("2007-11-04", time(1, 30), "2007-11-04T05:30:00+00:00"),
        ("2007-03-11", time(2, 30), "2007-03-11T07:30:00+00:00"),
    ],
)
def test_new_york_wall_times_that_happen_twice_or_never(day: str, wall: time, instant: str) -> None:
    assert local_instant(d(day), wall, "America/New_York") == at(instant)


@pytest.mark.parametrize(
    ("day", "wall", "times"),
    # Computed: in New York 02:30 does not happen on 2027-03-14, 01:30 happens twice on 2027-11-07
    [("2027-03-14", time(2, 30), 0), ("2027-11-07", time(1, 30), 2), ("2027-11-08", time(1, 30), 1)],
)
def test_the_nightly_hour_can_happen_twice_or_never_in_new_york(day: str, wall: time, times: int) -> None:
    local = ZoneInfo("America/New_York")
    start = datetime.combine(d(day), time(0), tzinfo=UTC)
    minutes = [(start + timedelta(minutes=n)).astimezone(local) for n in range(48 * 60)]
    assert sum(minute.date() == d(day) and minute.time() == wall for minute in minutes) == times


ZONES = [
    "America/New_York",
    "Europe/Berlin",
    "Australia/Lord_Howe",
    "Australia/Adelaide",
    "Africa/Cairo",  # the gap is at midnight
    "America/Havana",  # the gap is at midnight
    "Asia/Tokyo",
    "Pacific/Kiritimati",
    "Pacific/Pago_Pago",
]


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("wall", [time(0, 0), time(0, 30), time(1, 30), time(2, 0), time(2, 30)])
def test_each_civil_date_has_exactly_one_nightly_instant(zone: str, wall: time) -> None:
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(3 * 365)]
    instants = [local_instant(day, wall, zone) for day in days]
    assert [local_day(instant, zone) for instant in instants] == days
    steps = {later - earlier for earlier, later in pairwise(instants)}
    assert timedelta(hours=22) < min(steps) and max(steps) < timedelta(hours=26)


def test_an_instant_is_the_same_in_every_zone() -> None:
    # RFC 3339 §5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z
    instant = at("1996-12-19T16:39:57-08:00")
    assert hours_after(instant, 0).isoformat() == "1996-12-20T00:39:57+00:00"
    assert (local_day(instant, "America/Los_Angeles"), local_day(instant, "UTC")) == (d("1996-12-19"), d("1996-12-20"))


@pytest.mark.parametrize(
    ("used", "zone", "wall"),
    [
        # 72 elapsed hours. Madrid as published (computed): clocks go back on 2026-10-25
        ("2026-10-24T11:00:00+00:00", "Europe/Madrid", "2026-10-27T12:00:00+01:00"),
        # and forward on 2027-03-28 (computed)
        ("2027-03-27T12:00:00+00:00", "Europe/Madrid", "2027-03-30T14:00:00+02:00"),
        # no change of clocks (computed)
        ("2026-07-01T11:00:00+00:00", "Europe/Madrid", "2026-07-04T13:00:00+02:00"),
        # half an hour only (computed)
        ("2027-04-02T15:00:00+00:00", "Australia/Lord_Howe", "2027-04-06T01:30:00+10:30"),
    ],
)
def test_hours_are_elapsed_hours_whatever_clocks_do(used: str, zone: str, wall: str) -> None:
    deadline = hours_after(at(used), 72)
    assert deadline.astimezone(ZoneInfo(zone)).isoformat() == wall
    assert local_day(deadline, zone) == d(wall[:10])
