"""Which civil date is owed: once for every date, whatever the clock does.

Transitions of 2026 and 2027: published-facts §6 (IANA tzdata rules READ, instants COMPUTED).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest

from nightround.rounds.zones import next_instant, owed_date

ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "America/Los_Angeles",
    "Australia/Lord_Howe",  # half-hour change
    "Australia/Adelaide",
    "Asia/Tokyo",
    "America/Sao_Paulo",
    "Pacific/Apia",
    "Africa/Casablanca",
    "America/St_Johns",
]
TIMES = [time(0, 0), time(0, 30), time(1, 0), time(1, 30), time(2, 0), time(2, 30), time(23, 59)]


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("at", TIMES, ids=str)
def test_every_civil_date_is_owed_exactly_once_over_two_years(zone: str, at: time) -> None:
    now = datetime(2026, 1, 1, 12, 0, tzinfo=UTC)
    end = now + timedelta(days=730)
    seen = [owed_date(zone, now, at)]
    while now < end:
        now = next_instant(zone, now, at)
        seen.append(owed_date(zone, now, at))
        assert owed_date(zone, now - timedelta(seconds=1), at) == seen[-2]
    first = seen[0]
    assert seen == [first + timedelta(days=n) for n in range(len(seen))]


@pytest.mark.parametrize(
    ("zone", "at", "now", "owed"),
    [
        # 02:30 does not exist in New York on 2027-03-14; with the offset from before the gap it is 07:30 UTC.
        ("America/New_York", time(2, 30), "2027-03-14T07:29:59+00:00", "2027-03-13"),
        ("America/New_York", time(2, 30), "2027-03-14T07:30:00+00:00", "2027-03-14"),
        # 01:30 happens twice there on 2027-11-07: the first, at 05:30 UTC.
        ("America/New_York", time(1, 30), "2027-11-07T05:29:59+00:00", "2027-11-06"),
        ("America/New_York", time(1, 30), "2027-11-07T05:30:00+00:00", "2027-11-07"),
        # The day after the spring change, which a cron trigger at 00:30 leaves out.
        ("Europe/Berlin", time(0, 30), "2027-03-28T22:30:00+00:00", "2027-03-29"),
        ("America/New_York", time(0, 30), "2027-03-15T04:30:00+00:00", "2027-03-15"),
    ],
)
def test_the_nights_of_the_change(zone: str, at: time, now: str, owed: str) -> None:
    assert owed_date(zone, datetime.fromisoformat(now), at) == date.fromisoformat(owed)
