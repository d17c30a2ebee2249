"""What a weekly letter says: every list, in order, with its count, its reasons and where the rest of it is."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

import pytest

from nightround.letters import content, weekly
from nightround.store.tables import ledger, messages

from ...conftest import Clock
from .build import LABEL, LOOK, TODAY, Fleet, Mail, at, day, flat


def letter(fleet: Fleet, on: date | None = None) -> Mail:
    """The letter that is owed to A, who is coordinator of everything."""
    weekly.post_owed(fleet.program, fleet.program.clock(), on=on)
    return fleet.mail("weekly")[-1]


@pytest.fixture
def one_of_each(sqlite_fleet: Fleet) -> Fleet:
    return with_one_of_each(sqlite_fleet)


def with_one_of_each(fleet: Fleet) -> Fleet:
    fleet.site("MILL", name="Mill Lane School")
    fleet.person("A", "coordinator", whole=True)
    fleet.person("C", "site-contact on-call", ["MILL"], email="c@example.org")
    fleet.round_done()
    fleet.unit("MILL-01", "MILL", "work due")
    fleet.unit(
        "MILL-02", "MILL", "not to be relied on", "fault since 2026-11-24: it beeps", since=day(-1), spot="Sports hall"
    )
    fleet.case("MILL-02", "not-to-be-relied-on", reason="fault since 2026-11-24: it beeps")
    fleet.unit("MILL-03", "MILL", "no evidence", "never checked")
    fleet.unit("MILL-04", "MILL", "withdrawn", "withdrawn since 2026-11-02")
    fleet.unit("MILL-05", "MILL", "in service")
    fleet.duty("MILL-01", "look", "overdue", day(-14))
    fleet.duty("MILL-01", "pads-adult", "order now", day(60), order_by=day(-30), because=[LABEL, LOOK])
    fleet.duty("MILL-05", "look", "open", day(3))
    fleet.duty("MILL-02", "look", "open", day(20), opens=day(-2))
    fleet.duty("MILL-03", "battery", "not recorded", None)
    fleet.duty("MILL-04", "look", "overdue", day(-40))
    return fleet


def test_the_subject_and_the_head_say_how_many_of_what(fleet: Fleet) -> None:
    mail = letter(with_one_of_each(fleet))
    assert mail.subject == (
        "1 of 5 in service, 1 not to be relied on, 1 no evidence, 1 work due, 1 withdrawn, 1 overdue, 1 this week, "
        "1 to order, 1 not recorded – Test fleet, week 48"
    )
    for body in (mail.text, re.sub(r"<[^>]+>", "", mail.html)):
        assert (
            "1 of 5 units in service, 1 not to be relied on, 1 no evidence, 1 work due, 1 withdrawn; last round "
            "02:00 on Wed 25 Nov 2026."
        ) in flat(body)


def test_its_lists_come_in_the_order_of_what_matters(one_of_each: Fleet) -> None:
    mail = letter(one_of_each)
    headings = [
        "1 unit not to be relied on today",
        "1 overdue, the longest first",
        "1 to do by Tue 1 Dec 2026",
        "1 to order now",
        "What changed since the last letter",
        "1 unit without evidence",
        "1 not recorded",
        "1 unit withdrawn",
        "Asked for by",
        "Last rounds",
    ]
    for body in (mail.text, mail.html):
        found = [body.index(f"{heading}\n" if body is mail.text else f">{heading}<") for heading in headings]
        assert found == sorted(found)


def test_a_unit_not_to_be_relied_on_is_named_with_where_why_what_to_do_and_who_has_it(one_of_each: Fleet) -> None:
    text = flat(letter(one_of_each).text)
    assert "* MILL-02, Mill Lane School Sports hall, 1 MILL Street, model Tarnlight Five" in text
    assert "Fault since Tue 24 Nov 2026: it beeps (source: the log)." in text
    assert "To do: Look at the unit. Follow its own prompts and its manual" in text
    assert "Nobody has said that they have it." in text
    assert "Known since Tue 24 Nov 2026." in text


def test_whoever_has_it_is_named_until_their_time_is_over(fleet: Fleet, clock: Clock) -> None:
    fleet.site("MILL", "Europe/Berlin")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done("Europe/Berlin")
    fleet.unit("MILL-02", "MILL", "not to be relied on", "fault since 2026-11-24")
    taken = {"state": "taken", "taken_by": "A", "taken_until": at(12)}
    fleet.case("MILL-02", "not-to-be-relied-on", reason="fault since 2026-11-24", **taken)
    assert "Person A has it until Wed 25 Nov 2026, 13:00." in flat(letter(fleet).text)
    clock.forward(days=7)
    assert "Nobody has said that they have it." in flat(letter(fleet).text)


def test_an_overdue_duty_says_for_how_long_since_when_and_by_which_rule(one_of_each: Fleet) -> None:
    text = flat(letter(one_of_each).text)
    assert "* 14 DAYS OVERDUE: MILL-01, Site MILL" in text.replace("Mill Lane School", "Site MILL")
    assert "Look at the unit: last good day was Wed 11 Nov 2026." in text
    assert "Because: Someone looks at each unit once a month (common practice) [1]; last done Sun 11 Oct 2026." in text
    assert (
        "[1] Someone looks at each unit once a month (common practice; source: the house rules; "
        "verified on Fri 20 Nov 2026)." in text
    )


def test_several_overdue_duties_of_one_unit_stand_together_and_count_each(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    fleet.unit("MILL-01", "MILL", "work due")
    fleet.unit("MILL-02", "MILL", "work due")
    fleet.duty("MILL-01", "look", "overdue", day(-3))
    fleet.duty("MILL-02", "look", "overdue", day(-5))
    fleet.duty("MILL-01", "test", "overdue", day(-9))
    mail = letter(fleet)
    text = flat(mail.text)
    assert "3 overdue" in mail.subject
    assert text.index("9 DAYS OVERDUE: MILL-01") < text.index("5 DAYS OVERDUE: MILL-02")
    first = text[text.index("9 DAYS OVERDUE") : text.index("5 DAYS OVERDUE")]
    assert "Test the unit: 9 days overdue" in first
    assert "Look at the unit: 3 days overdue" in first


def test_what_to_order_stands_by_kind_with_models_and_the_day_to_order_by(one_of_each: Fleet) -> None:
    text = flat(letter(one_of_each).text)
    assert "Adult pads: 1 For Tarnlight Five: 1" in text
    assert "- MILL-01, Mill Lane School: order by Mon 26 Oct 2026, which has passed; good to Sun 24 Jan 2027 [" in text


def test_an_order_asked_for_by_a_low_reading_says_so(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    fleet.unit("MILL-01", "MILL", "work due")
    low = LABEL | {
        "rule": "reading-low",
        "title": "A low reading means: order now",
        "evidence": "reading low since 2026-11-20",
    }
    fleet.duty("MILL-01", "battery", "order now", day(300), order_by=day(-5), because=[LABEL, low])
    assert "reading low since Fri 20 Nov 2026" in flat(letter(fleet).text)


def test_the_week_ahead_is_a_list_of_visits(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.site("POOL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    for code, site, good in (
        ("M1", "MILL", 2),
        ("M2", "MILL", 2),
        ("P1", "POOL", 2),
        ("P2", "POOL", 6),
        ("P3", "POOL", 7),
    ):
        fleet.unit(code, site, "work due")
        fleet.duty(code, "look", "open", day(good), opens=day(-1))
    mail = letter(fleet)
    text = flat(mail.text)
    assert "4 this week" in mail.subject
    visit = (
        "BY FRI 27 NOV 2026: Site MILL 1 MILL Street M1, reception: look at the unit (last done Sun 11 Oct 2026) [1]"
    )
    assert f"{visit} M2, reception: look at the unit" in text
    assert "BY TUE 1 DEC 2026: Site POOL" in text
    assert "P3" not in text
    assert "may already do, with later last good days: look at the unit (1)." in text


def test_a_last_good_day_that_has_passed_since_the_round_is_not_left_out(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done(hours_ago=20)
    fleet.unit("M1", "MILL", "work due")
    fleet.duty("M1", "look", "open", day(-1))
    assert "That day is over; the next round will call it overdue." in flat(letter(fleet).text)


def test_what_is_not_recorded_is_counted_by_site_and_kind_with_examples(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.site("POOL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    for number in range(5):
        fleet.unit(f"M{number}", "MILL", "no evidence", "never checked")
        fleet.duty(f"M{number}", "battery", "not recorded", None)
    fleet.duty("M0", "pads-adult", "not recorded", None)
    fleet.unit("P1", "POOL", "no evidence", "never checked")
    fleet.duty("P1", "look", "not recorded", None)
    mail = letter(fleet)
    text = flat(mail.text)
    assert "7 not recorded" in mail.subject
    assert "5 battery 1 look at the unit 1 adult pads" in text
    assert "* 6: Site MILL battery: 5, adult pads: 1 (M0, M1, M2 and others)" in text
    assert "* 1: Site POOL look at the unit: 1 (P1)" in text


def test_an_open_safety_notice_is_listed_with_its_units_until_it_is_corrected(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    notice = {
        "rule": "FSN-7", "title": "Stop using. Replace the case", "force": "manufacturer",
        "source": "letter of the maker, published 2026-10-01", "verified_on": "2026-10-05",
        "evidence": "serial matches; open until its correction is recorded",
    }  # fmt: skip
    for number in range(8):
        fleet.unit(f"M{number}", "MILL", "work due")
        more = {"key": "notice/FSN-7", "subject": "notice FSN-7 (class II): cracked case", "opens": day(-40)}
        fleet.duty(f"M{number}", "notice", "open", None, because=[notice], **more)
    mail = letter(fleet)
    text = flat(mail.text)
    assert "8 under a notice" in mail.subject
    assert "* 8 UNITS: Notice FSN-7 (class II): cracked case M0, M1, M2, M3, M4, M5 and 2 more" in text
    assert "Asked for: Stop using. Replace the case (manufacturer) [1]; serial matches; open until" in text
    assert "may already do" not in text


def test_a_withdrawn_unit_is_listed_and_nobody_is_asked_for_its_duties(one_of_each: Fleet) -> None:
    text = flat(letter(one_of_each).text)
    assert "1 unit withdrawn" in text
    assert "Withdrawn since Mon 2 Nov 2026 (source: the log)." in text
    assert "40 DAYS OVERDUE" not in text


def test_a_unit_that_no_round_has_seen_is_not_passed_over(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    fleet.unit("M1", "MILL")
    fleet.unit("M2", "MILL", "")
    mail = letter(fleet)
    assert mail.subject.startswith("1 of 2 in service, 1 no evidence")
    assert "1 unit that no round has reckoned yet" in mail.text
    assert "M2, Site MILL" in mail.text


def test_a_unit_that_the_round_set_aside_is_named(fleet: Fleet) -> None:
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.unit("M1", "MILL")
    fleet.round_done(findings=[{"unit": "M1", "why": "no such day"}, {"unit": "X9", "why": "not at these sites"}])
    text = flat(letter(fleet).text)
    assert "1 unit could not be reckoned" in text
    assert "M1 The last round set it aside (no such day)." in text
    assert "X9" not in text


@pytest.mark.parametrize(("hours", "late"), [(27.9, False), (28.1, True)])
def test_a_round_older_than_28_hours_is_said_first(sqlite_fleet: Fleet, hours: float, late: bool) -> None:
    sqlite_fleet.site("MILL")
    sqlite_fleet.person("A", "coordinator", whole=True)
    sqlite_fleet.unit("M1", "MILL")
    sqlite_fleet.round_done(hours_ago=hours)
    mail = letter(sqlite_fleet)
    assert mail.text.startswith("THE NIGHTLY ROUND IS LATE.") is late
    assert mail.subject.startswith("The round is late: 1 of 1 in service") is late
    assert ("Europe/London: Tue 24 Nov 2026, 04:54, 28 hours ago" in mail.text) is late


def test_each_zones_last_round_is_told_and_the_oldest_comes_first(fleet: Fleet) -> None:
    fleet.person("A", "coordinator", whole=True)
    for zone, hours in (("Asia/Tokyo", 2), ("Europe/London", 7)):
        fleet.site(zone[:4], zone)
        fleet.unit(f"{zone[:4]}-1", zone[:4], "work due")
        fleet.duty(f"{zone[:4]}-1", "look", "open", day(2))
        fleet.round_done(zone, hours)
    fleet.site("NEVR", "America/New_York")
    fleet.unit("NEVR-1", "NEVR", "work due")
    text = flat(letter(fleet).text)
    assert "no round yet in America/New_York" in text
    assert text.startswith("THE NIGHTLY ROUND IS LATE.")
    assert (
        "America/New_York: no round has ever run Europe/London: Wed 25 Nov 2026, 02:00 "
        "Asia/Tokyo: Wed 25 Nov 2026, 16:00" in text
    )


def quiet(fleet: Fleet) -> Fleet:
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.person("C", "site-contact on-call", ["MILL"])
    fleet.round_done()
    for number in range(3):
        fleet.unit(f"M{number}", "MILL")
        fleet.duty(f"M{number}", "look", "ahead", day(25), opens=day(15))
    return fleet


def test_nothing_wrong_is_said_in_three_lines_and_still_goes_out(fleet: Fleet) -> None:
    mail = letter(quiet(fleet))
    assert mail.subject == "3 of 3 in service, nothing due this week – Test fleet, week 48"
    above, _, _ = mail.text.partition("-----")
    said = [flat(paragraph) for paragraph in above.split("\n\n") if paragraph.strip()]
    assert said == [
        "3 of 3 units in service; last round 02:00 on Wed 25 Nov 2026.",
        "Nothing is overdue, due by Tue 1 Dec 2026, to order, or missing on record.",
        "This is the first of these letters to you.",
    ]


def test_a_quiet_week_says_what_was_done(fleet: Fleet, clock: Clock) -> None:
    letter(quiet(fleet))
    clock.forward(days=6)
    fleet.move("M1", "look", {"last_good_day": "2026-11-20"}, {"last_good_day": "2026-12-20"})
    clock.forward(days=1)
    with fleet.program.store.write() as conn:
        conn.execute(ledger.update().values(on=clock.now.date(), finished_at=clock.now))
        conn.execute(messages.update().values(state="sent"))  # one that waits for a week would be said
    mail = letter(fleet)
    said = "Since the letter of Wed 25 Nov 2026, 09:00: 1 duty was done and has a later date now."
    assert said in flat(mail.text)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda fleet: fleet.duty("M0", "test", "overdue", day(-1)),
        lambda fleet: fleet.duty("M0", "test", "open", day(6)),
        lambda fleet: fleet.duty("M0", "battery", "order now", day(60), order_by=day(-1)),
        lambda fleet: fleet.duty("M0", "battery", "not recorded", None),
        lambda fleet: fleet.unit("M9", "MILL", "no evidence", "never checked"),
        lambda fleet: fleet.unit("M9", "MILL", "withdrawn", "withdrawn since 2026-11-02"),
        lambda fleet: fleet.unit("M9", "MILL", "not to be relied on", "fault since 2026-11-02"),
        lambda fleet: fleet.unit("M9", "MILL", ""),
    ],
)
def test_anything_wrong_makes_it_longer_than_three_lines(sqlite_fleet: Fleet, spoil: object) -> None:
    quiet(sqlite_fleet)
    assert callable(spoil)
    spoil(sqlite_fleet)
    mail = letter(sqlite_fleet)
    assert "nothing due this week" not in mail.subject
    assert "What is owed" in mail.text


def test_a_reader_of_some_sites_hears_of_no_others(fleet: Fleet) -> None:
    fleet.site("MILL")
    fleet.site("POOL")
    fleet.person("M", "manager", ["POOL"])
    fleet.round_done()
    for code, site in (("MILL-01", "MILL"), ("POOL-01", "POOL")):
        fleet.unit(code, site, "not to be relied on", "fault since 2026-11-24")
        fleet.duty(code, "look", "overdue", day(-2))
        fleet.duty(code, "battery", "not recorded", None)
    mail = letter(fleet)
    assert mail.subject.startswith("0 of 1 in service")
    assert "POOL-01" in mail.text
    assert "MILL" not in mail.text
    assert "as manager of Site POOL." in flat(mail.text)


def test_a_reader_without_units_is_told_that_there_are_none(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("M", "manager", ["MILL"])
    fleet.round_done()  # which a site without units has too
    mail = letter(fleet)
    assert mail.subject.startswith("No units on record")
    assert "No unit is on record at your sites" in mail.text


def test_a_site_spare_past_its_date_is_overdue_at_its_site(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    fleet.unit("M1", "MILL")
    fleet.duty("", "battery", "overdue", day(-4), site="MILL", because=[LABEL])
    fleet.duty("", "pads-adult", "order now", day(40), site="MILL", because=[LABEL], order_by=day(-9))
    text = flat(letter(fleet).text)
    assert "4 DAYS OVERDUE: spare parts, Site MILL" in text
    assert "Replace spare battery: last good day was" in text
    assert "Spare adult pads: 1 For the stock of a site: 1" in text


def test_long_lists_are_cut_and_say_how_many_more_and_where(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    many = content.SHOWN + 7
    for number in range(many):
        fleet.unit(f"U{number:03}", "MILL", "not to be relied on", "fault since 2026-11-24")
        fleet.duty(f"U{number:03}", "look", "overdue", day(-number - 1))
        fleet.duty(f"U{number:03}", "battery", "order now", day(50), order_by=day(-2))
    mail = letter(fleet)
    assert f"{many} not to be relied on" in mail.subject
    base = fleet.program.settings.web.base_url
    assert f"and 7 more: {base}/units?condition=not+to+be+relied+on" in mail.text
    assert f"and 7 more: {base}/duties?standing=overdue" in mail.text
    assert f"and {many - content.SHOWN_A_KIND} more: {base}/duties?standing=order+now" in mail.text
    text = flat(mail.text)
    assert f"{many} DAYS OVERDUE: U{many - 1:03}" in text  # the longest is shown
    assert "1 DAY OVERDUE" not in text


def test_the_longest_letter_stays_below_what_mail_programs_cut_off(sqlite_fleet: Fleet) -> None:
    # A widely used mail service shows about the first 102 kB of a message's HTML (from memory).
    fleet = sqlite_fleet
    words = "a rather long name of a place, as places have them"
    with fleet.at_once():
        fleet.person("A", "coordinator", whole=True)
        for site in range(20):
            fleet.site(
                f"S{site:02}", name=f"{words} {site}", address="12, avenue of the very long street names, Farwood"
            )
            for number in range(4):
                code = f"S{site:02}-{number}"
                states = ("not to be relied on", "no evidence", "withdrawn", "work due")
                fleet.unit(code, f"S{site:02}", states[number], "fault since 2026-11-24: it beeps all day", spot=words)
                long = LOOK | {
                    "title": f"A rule of place {site} with a title of some length",
                    "source": "A code, § 12 " * 8,
                }
                fleet.duty(code, "look", "overdue", day(-number - 1), because=[LOOK, long])
                fleet.duty(code, "test", "open", day(2), because=[long])
                fleet.duty(code, "battery", "not recorded", None)
                for kind in ("pads-adult", "pads-child", "battery"):
                    fleet.duty(code, kind, "order now", day(50), order_by=day(-2), because=[LABEL, long])
    fleet.round_done()
    mail = letter(fleet)
    assert len(mail.html.encode()) < 100_000


def test_people_whom_no_letter_reaches_and_sites_without_anybody_are_named(fleet: Fleet) -> None:
    fleet.site("MILL")
    fleet.site("POOL")
    fleet.person("A", "coordinator", whole=True)
    fleet.person("C", "site-contact", ["MILL"], email="")
    fleet.person("D", "on-call", ["POOL"])
    fleet.round_done()
    for site in ("MILL", "POOL"):
        fleet.unit(f"{site}-1", site, "work due")
        fleet.duty(f"{site}-1", "look", "open", day(1))
    text = flat(letter(fleet).text)
    assert "1 person has no usable e-mail address: Person C (C)." in text
    assert "1 site has no site contact: Site POOL." in text
    assert "Nobody is on call for 1 site: Site MILL." in text


def test_a_gap_in_the_rota_is_told_with_its_time_and_another_readers_sites_are_not(fleet: Fleet) -> None:
    for site in ("MILL", "POOL"):
        fleet.site(site)
        fleet.unit(f"{site}-1", site, "in service")
    fleet.person("A", "coordinator", whole=True)
    fleet.person("B", "coordinator site-contact", ["POOL"])
    fleet.person("C", "on-call site-contact", ["MILL"])
    fleet.person("D", "on-call", ["POOL"])
    fleet.round_done()
    fleet.on_rota("C", at(8, days=-1), at(8, days=3))
    fleet.on_rota("C", at(8, days=4), at(8, days=40))
    fleet.on_rota("D", at(8, days=-1), at(8, days=40))
    weekly.post_owed(fleet.program, fleet.program.clock())
    told = {mail.to.split("@")[0][-1].upper(): flat(mail.text) for mail in fleet.mail("weekly")}
    gap = "Nobody is on call from Sat 28 Nov 2026, 08:00 to Sun 29 Nov 2026, 08:00 for Site MILL."
    assert gap in told["A"]
    assert gap not in told["B"]


def test_days_are_those_of_each_site(sqlite_fleet: Fleet, clock: Clock) -> None:
    # 25 Nov 12:00 UTC is 26 Nov 01:00 in Auckland (UTC+13): what was good to the 25th is over there, not in London.
    fleet = sqlite_fleet
    fleet.person("A", "coordinator", whole=True)
    for code, zone in (("AUCK", "Pacific/Auckland"), ("LOND", "Europe/London")):
        fleet.site(code, zone)
        fleet.unit(f"{code}-1", code, "work due")
        fleet.duty(f"{code}-1", "look", "overdue", day(-10))
        fleet.round_done(zone, 1)
    clock.now = datetime(2026, 11, 25, 12, tzinfo=UTC)
    text = flat(letter(fleet).text)
    assert "11 DAYS OVERDUE: AUCK-1" in text
    assert "10 DAYS OVERDUE: LOND-1" in text


def test_a_civil_date_that_is_given_is_the_day_everywhere(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done()
    fleet.unit("M1", "MILL", "work due")
    fleet.duty("M1", "look", "overdue", day(-1))
    text = flat(letter(fleet, TODAY + timedelta(days=5)).text)
    assert "6 DAYS OVERDUE: M1" in text
    assert "0 to do by Sun 6 Dec 2026" in text


def test_a_deadline_in_hours_keeps_its_minute_and_zone(sqlite_fleet: Fleet) -> None:
    fleet = sqlite_fleet
    fleet.site("MADR", "Europe/Madrid")
    fleet.person("A", "coordinator", whole=True)
    fleet.round_done("Europe/Madrid")
    fleet.unit("M1", "MADR", "work due")
    fleet.duty("M1", "report-use", "open", day(2), deadline=at(11, 0, days=2), key="report-use")
    assert "report the use, deadline Fri 27 Nov 2026, 12:00 (Europe/Madrid)" in flat(letter(fleet).text)


def test_the_bars_repeat_the_numbers_beside_them(one_of_each: Fleet) -> None:
    html = letter(one_of_each).html
    rows = re.findall(r'class="said"[^>]*>([^<]+)</td><td class="said number"[^>]*>(\d+)</td>(.*?)</tr>', html, re.S)
    assert [(word, number) for word, number, _ in rows] == [
        ("not to be relied on", "1"),
        ("no evidence", "1"),
        ("work due", "1"),
        ("in service", "1"),
        ("withdrawn", "1"),
    ]
    assert all('width="100%"' in drawn for _, _, drawn in rows)
    assert "<img" not in html
    assert "<svg" not in html


def test_the_cautions_stand_once_at_the_end(one_of_each: Fleet) -> None:
    for body in (letter(one_of_each).text, letter(one_of_each).html):
        said = flat(body)
        for caution in (
            "In an emergency call the emergency number first",
            "“Not to be relied on” tells nobody to leave a unit unused in an emergency.",
            "licensed practice come first",
            "they are not legal or medical advice",
        ):
            assert said.count(caution) == 1
            assert said.index(caution) > said.index("Last rounds")
