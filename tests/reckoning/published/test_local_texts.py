"""Published texts that bind one town or one trade, and that no shipped rule holds because no site says its town.

Whoever is bound by one writes it into a pack of their own; what such a rule reckons is checked here, against the text
and against `dateutil`.
"""

from __future__ import annotations

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta

from nightround.reckoning.dates import first_bad_day, last_good_day
from nightround.reckoning.rules import Shape, Span

YEARLY = Shape(Span.MONTHS, 12)


@pytest.mark.parametrize(
    "source",
    [
        "Philadelphia Code §16-311(2)(c): inspected no less than once per year",
        "Pembroke Pines, Florida, §122.05: inspected before service and annually",
        "Weston, Florida, §51.03: inspected before service and annually",
        "Kirklin, Indiana, §91.205: inspected annually by the fire chief",
        "Rushville, Indiana, §93.160: inspected annually by the fire chief",
    ],
)
@pytest.mark.parametrize("done", [date(2026, 1, 2), date(2028, 2, 29), date(2026, 12, 31)])
def test_a_yearly_inspection_is_owed_a_year_after_the_last(source: str, done: date) -> None:
    good = last_good_day(YEARLY, done)
    assert good == done + relativedelta(years=1), source
    assert first_bad_day(good) > good


def test_a_use_form_within_a_day_is_elapsed_hours_over_a_change_of_the_clock() -> None:
    """Kern County guide of 2006, from 22 CCR: a form within 24 hours. California's clocks went back on 2026-11-01."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    from nightround.reckoning.dates import hours_after

    zone = ZoneInfo("America/Los_Angeles")
    used = datetime(2026, 10, 31, 13, 0, tzinfo=zone)
    until = hours_after(used.astimezone(UTC), 24).astimezone(zone)
    assert (until.isoformat(), until.hour) == ("2026-11-01T12:00:00-08:00", 12)


def test_a_crew_trains_again_within_twenty_four_months() -> None:
    """14 CFR 121.805(b)(5)(iii): at least once every 24 months."""
    assert last_good_day(Shape(Span.MONTHS, 24), date(2026, 2, 28)) == date(2028, 2, 28)
    assert last_good_day(Shape(Span.MONTHS, 24), date(2024, 2, 29)) == date(2026, 2, 28)
