"""The published dates of laws and guidance, reckoned with the shipped rules. Source beside each value.

None of this is legal advice; each rule carries its source and the day on which it was read.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from nightround.reckoning.dates import add_months, first_bad_day, hours_after, last_good_day, local_day, working_days
from nightround.reckoning.facts import Evidence, Use
from nightround.reckoning.owed import Standing
from nightround.reckoning.rules import Shape, Span

from .shipped import at, book, d, duty_of, place

# rule, day of the last evidence, last good day, source
PUBLISHED = [
    # California HSC §1797.196(b)(1)(E): at least every 90 days
    ("us-ca-look-90-days", "2026-11-25", "2027-02-23"),
    ("us-ca-look-90-days", "2027-12-01", "2028-02-29"),
    # Germany, MPBetreibV §12(1) sentence 2: two years, by the end of the month (computed from the text)
    ("de-safety-check-two-yearly", "2024-03-05", "2026-03-31"),
    ("de-safety-check-two-yearly", "2024-02-29", "2026-02-28"),
    ("de-safety-check-two-yearly", "2026-02-14", "2028-02-29"),
    # Arkansas, school rule 005.28.52-6.0: once per calendar year, so any day of the next year will do
    ("us-ar-school-inspection-yearly", "2026-01-02", "2027-12-31"),
    # Taiwan, article 7 of 2023-05-10: at least every half year
    ("tw-test-half-yearly", "2026-08-31", "2027-02-28"),
    # Arizona ARS 36-2262(3): five working days; Thanksgiving, 2026-11-26, is not one
    ("us-az-report-use-5-working-days", "2026-11-24", "2026-12-02"),
    # Texas HSC §779.003, Maryland COMAR 30.06.02.01A(3), South Korea article 47-2(3): each month (computed)
    ("us-tx-look-monthly", "2026-11-02", "2026-12-31"),
    ("us-md-look-monthly", "2027-01-31", "2027-02-28"),
    ("kr-look-monthly", "2026-11-30", "2026-12-31"),
    ("kr-report-check-monthly", "2026-12-01", "2027-01-31"),
    # Maryland COMAR 13A.05.10.03B(4): each week in schools (computed; ISO weeks end on Sunday)
    ("us-md-school-look-weekly", "2026-11-25", "2026-12-06"),
    # Japan, notices of 2009-04-16: every day. UK guidance: weekly (computed)
    ("jp-look-daily", "2026-11-25", "2026-11-26"),
    ("gb-look-weekly", "2026-11-25", "2026-12-02"),
    # 77 Illinois Administrative Code 527.600(b): out of service on day 0, put right by day 10
    ("us-il-fitness-replace-10-days", "2026-11-25", "2026-12-05"),
    # California HSC §1797.196(b)(1)(D): twice a year, kept as six months (computed)
    ("us-ca-test-half-yearly", "2026-08-31", "2027-02-28"),
]


def after(used: datetime, used_on: date) -> Evidence:
    """What is known of a unit that was used and of which nothing was logged since."""
    used = used.astimezone(UTC)
    return Evidence(used_at=used, last_used_on=used_on, uses=(Use(used, used_on),), out_of_service_on=used_on)


@pytest.mark.parametrize(("rule_id", "evidence", "good"), PUBLISHED)
def test_a_shipped_rule_gives_the_published_last_good_day(rule_id: str, evidence: str, good: str) -> None:
    rule = book().rule(rule_id)
    working = working_days(rule.country, rule.subdivision)
    assert last_good_day(rule.shape, d(evidence), working) == d(good)


def test_california_is_good_on_the_ninetieth_day_and_overdue_on_the_next() -> None:
    # HSC §1797.196(b)(1)(E): 2026-11-25 + 90 days = 2027-02-23 good, 2027-02-24 overdue
    rules = (book().rule("us-ca-look-90-days"),)
    looked = Evidence(looked_on=d("2026-11-25"))
    assert duty_of(rules, place("US", "CA"), "2027-02-23", looked, "look").standing is Standing.OPEN
    assert duty_of(rules, place("US", "CA"), "2027-02-24", looked, "look").standing is Standing.OVERDUE


def test_an_arkansas_school_done_in_january_has_until_the_end_of_the_next_year() -> None:
    rules = (book().rule("us-ar-school-inspection-yearly"),)
    done = Evidence(looked_on=d("2026-01-02"), tested_on=d("2026-01-02"), inspected_on=d("2026-01-02"))
    where = place("US", "AR", "school")
    ahead = duty_of(rules, where, "2026-12-31", done, "inspection")
    assert (ahead.standing, ahead.opens) == (Standing.AHEAD, d("2027-01-01"))
    assert duty_of(rules, where, "2027-12-31", done, "inspection").standing is Standing.OPEN
    assert duty_of(rules, where, "2028-01-01", done, "inspection").standing is Standing.OVERDUE


def test_a_unit_used_in_madrid_is_notified_within_72_elapsed_hours_across_the_change_of_clocks() -> None:
    # sede.comunidad.madrid: 72 hours. Used 2026-10-24 13:00, clocks go back on 10-25: 2026-10-27 12:00 (computed)
    used = at("2026-10-24T13:00:00+02:00")
    deadline = hours_after(used, book().rule("es-md-report-use-72-hours").shape.n)
    assert deadline.astimezone(ZoneInfo("Europe/Madrid")).isoformat() == "2026-10-27T12:00:00+01:00"
    rules = (book().rule("es-md-report-use-72-hours"),)
    where = place("ES", "MD", zone="Europe/Madrid")
    said = after(used, d("2026-10-24"))
    duty = duty_of(rules, where, "2026-10-25", said, "report-use")
    assert (duty.last_good_day, duty.deadline) == (d("2026-10-27"), at("2026-10-27T11:00:00+00:00"))


def test_arizona_without_holidays_would_be_a_day_earlier() -> None:
    # ARS 36-2262(3): used Tuesday 2026-11-24; without holidays 12-01, with Thanksgiving 12-02
    shape = book().rule("us-az-report-use-5-working-days").shape
    assert last_good_day(shape, d("2026-11-24"), working_days("", "")) == d("2026-12-01")
    used = at("2026-11-25T04:30:00+00:00")  # 21:30 on the 24th in Phoenix: the local day counts
    where = place("US", "AZ", zone="America/Phoenix")
    said = after(used, local_day(used, where.time_zone))
    rules = (book().rule("us-az-report-use-5-working-days"),)
    assert duty_of(rules, where, "2026-11-26", said, "report-use").last_good_day == d("2026-12-02")


@pytest.mark.parametrize(
    ("country", "subdivision", "event", "n", "good"),
    [
        # Minnesota 403.51: 30 working days from receipt; Juneteenth and the observed 4th of July fall inside
        ("US", "MN", "2026-06-01", 30, "2026-07-15"),
        # 21 CFR 803.10(a): 10 work days; Christmas and New Year fall inside
        ("US", "", "2026-12-18", 10, "2027-01-05"),
        # Arizona ARS 36-2262(3)
        ("US", "AZ", "2026-11-24", 5, "2026-12-02"),
    ],
)
def test_working_days_skip_weekends_and_the_public_holidays_of_the_place(
    country: str, subdivision: str, event: str, n: int, good: str
) -> None:
    working = working_days(country, subdivision)
    assert last_good_day(Shape(Span.WORKING_DAYS, n), d(event), working) == d(good)


@pytest.mark.parametrize(
    ("shape", "evidence", "good"),
    [
        # Course cards of the American Heart Association: two years, through the end of the month (cpr.heart.org)
        (Shape(Span.MONTHS_TO_MONTH_END, 24), "2026-02-10", "2028-02-29"),
        (Shape(Span.MONTHS_TO_MONTH_END, 24), "2025-11-30", "2027-11-30"),
        # South Australia: registered within 14 days (computed)
        (Shape(Span.DAYS, 14), "2026-12-20", "2027-01-03"),
        # 14 CFR 121.805(b)(5)(iii): at least once every 24 months (computed)
        (Shape(Span.MONTHS, 24), "2024-02-29", "2026-02-28"),
        # Taiwan, article 7: records are kept two years; a record of 2026-08-31 to 2028-08-31
        (Shape(Span.MONTHS, 24), "2026-08-31", "2028-08-31"),
        # Common practice, no source: standby life of five years once installed
        (Shape(Span.MONTHS, 60), "2024-02-29", "2029-02-28"),
    ],
)
def test_published_periods_without_a_shipped_rule_have_their_shape(shape: Shape, evidence: str, good: str) -> None:
    assert last_good_day(shape, d(evidence)) == d(good)


def test_orders_go_out_three_months_ahead() -> None:
    # Common practice, no source: pads that expire within three months are ordered
    for rule_id in ("house-pads-label", "house-battery-label", "house-kit-label"):
        assert book().rule(rule_id).order_lead_months == 3
    assert add_months(d("2027-05-31"), -3) == d("2027-02-28")


@pytest.mark.parametrize("subject", ["us-ca-test-after-use", "tw-restore-at-once"])
def test_a_used_unit_is_restored_on_the_day_of_the_use(subject: str) -> None:
    # California HSC §1797.196(b)(1)(D): tested after each use. Taiwan, article 7: replenished at once
    used = at("2026-11-24T10:00:00+00:00")
    said = after(used, d("2026-11-24"))
    rule = book().rule(subject)
    duty = duty_of((rule,), place(rule.country, rule.subdivision), "2026-11-25", said, "restore")
    assert (duty.last_good_day, duty.standing) == (d("2026-11-24"), Standing.OVERDUE)
    assert subject in [because.rule for because in duty.because]


def test_where_a_law_leaves_it_to_the_maker_and_the_sheet_is_silent_nothing_is_made_up() -> None:
    # ARS 36-2262(4) and the like: "per manufacturer" is neither zero nor a default
    duty = duty_of(
        (book().rule("us-az-look-per-model"),),
        place("US", "AZ"),
        "2026-11-25",
        Evidence(looked_on=d("2026-11-24")),
        "look",
    )
    assert (duty.standing, duty.last_good_day) == (Standing.NOT_RECORDED, None)
    assert duty.because[0].evidence == "manufacturer's interval not entered"


@pytest.mark.parametrize(
    ("last_good", "exclusive"),
    [
        # RFC 5545 §3.6.1: an event over 20070628 with DTEND 20070709 covers 28 June to 8 July
        ("2007-07-08", "2007-07-09"),
        # RFC 5545 §3.6.2: a to-do good to the end of 30 April is DUE;VALUE=DATE:20070501
        ("2007-04-30", "2007-05-01"),
        ("2028-02-29", "2028-03-01"),
    ],
)
def test_the_first_bad_day_is_what_icalendar_writes(last_good: str, exclusive: str) -> None:
    assert first_bad_day(d(last_good)) == d(exclusive)
    assert first_bad_day(d(last_good)) - d(last_good) == timedelta(days=1)
