"""One duty as a component. Days and structure: RFC 5545 §3.6.1, §3.6.2, §3.8.2.2; published-facts §5 and §10.18-19."""

from __future__ import annotations

import hashlib
import json
import logging
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar, Event

from nightround.calendars.events import blank, octets, on_last_good_day, render
from nightround.calendars.feed import FORM
from nightround.calendars.reading import EVENTS, TASKS
from nightround.calendars.text import folded, one_line, shortened
from nightround.calendars.words import categories, description, location, summary
from nightround.settings import load

from .agreement import agreed, lines
from .build import because, due

SETTINGS = load(None)


def _feed(*parts: bytes) -> bytes:
    head = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n"
    return head + b"".join(parts) + b"END:VCALENDAR\r\n"


def _shown(as_: str = EVENTS, **more: Any) -> Any:
    body, is_whole = render(due(**more), as_, SETTINGS)
    assert is_whole
    (item,) = Calendar.from_ical(_feed(body)).subcomponents
    return item


def test_the_event_stands_on_the_last_good_day_and_ends_before_the_first_bad_one() -> None:
    body, _ = render(due(last_good_day=date(2026, 12, 31)), EVENTS, SETTINGS)
    assert b"DTSTART;VALUE=DATE:20261231\r\nDTEND;VALUE=DATE:20270101\r\n" in body


def test_a_task_is_due_on_the_last_good_day() -> None:
    # Not the day after, as RFC 5545 §3.6.2 has it: readers show the DATE in DUE as the day on which a task is due.
    body, _ = render(due(last_good_day=date(2007, 4, 30), opens=date(2007, 4, 1)), TASKS, SETTINGS)
    assert b"DUE;VALUE=DATE:20070430\r\n" in body
    assert b"DTSTART;VALUE=DATE:20070401\r\n" in body
    assert b"STATUS:NEEDS-ACTION\r\n" in body
    assert b"TRANSP" not in body  # RFC 5545 §3.8.2.7: for events only


def test_days_of_more_than_one_are_read_as_the_standard_says() -> None:
    # RFC 5545 §3.6.1: 28 June to 8 July 2007 is DTSTART 20070628, DTEND 20070709.
    text = _feed(
        b"BEGIN:VEVENT\r\nUID:20070423T123432Z-541111@example.org\r\nDTSTAMP:20070423T123432Z\r\n"
        b"DTSTART;VALUE=DATE:20070628\r\nDTEND;VALUE=DATE:20070709\r\nSUMMARY:Festival\r\nEND:VEVENT\r\n"
    )
    (seen,) = agreed(text).values()
    assert (seen.start, seen.end) == (date(2007, 6, 28), date(2007, 7, 9))


@pytest.mark.parametrize("opens", [None, date(2026, 12, 1), date(2026, 12, 2)])
def test_a_task_always_starts_before_it_is_due(opens: date | None) -> None:
    # RFC 5545 §3.8.2.3: DUE is later than DTSTART.
    body, _ = render(due(opens=opens), TASKS, SETTINGS)
    assert b"DTSTART" not in body
    assert b"DUE;VALUE=DATE:20261201\r\n" in body


def test_a_task_without_a_date_has_no_due_day_and_says_why() -> None:
    item = _shown(
        TASKS, standing="not recorded", last_good_day=None, opens=None, because=json.dumps([because(good=None)])
    )
    assert "due" not in item
    assert "dtstart" not in item
    assert item["summary"] == "No date recorded: look at MILL-03, reception – Mill Lane"
    assert "No date can be reckoned" in item["description"]


def test_an_event_carries_what_the_duty_stores_and_nothing_of_now() -> None:
    at = datetime(2026, 11, 24, 1, 2, 3, tzinfo=UTC)
    body, _ = render(due(changed_at=at, sequence=4), EVENTS, SETTINGS)
    for line in (
        b"UID:4b1c2f4e-0000-5000-8000-000000000002",
        b"SEQUENCE:4",
        b"DTSTAMP:20261124T010203Z",
        b"LAST-MODIFIED:20261124T010203Z",
        b"TRANSP:TRANSPARENT",
        b"URL:http://127.0.0.1:8470/units/MILL-03",
    ):
        assert line + b"\r\n" in body
    for name in (b"VALARM", b"METHOD", b"ORGANIZER", b"ATTENDEE", b"TZID", b"VTIMEZONE", b"STATUS"):
        assert name not in body


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "Look at MILL-03, reception – Mill Lane"),
        ({"standing": "open"}, "Look at MILL-03, reception – Mill Lane"),
        ({"standing": "overdue"}, "Overdue: look at MILL-03, reception – Mill Lane"),
        ({"spot": ""}, "Look at MILL-03 – Mill Lane"),
        ({"site_name": ""}, "Look at MILL-03, reception – MILL"),
        ({"kind": "test", "key": "test"}, "Test MILL-03, reception – Mill Lane"),
        (
            {"kind": "inspection", "key": "inspection"},
            "Have MILL-03 inspected by a qualified technician, reception – Mill Lane",
        ),
        ({"kind": "restore", "key": "restore"}, "Restore MILL-03 after use, reception – Mill Lane"),
        (
            {"kind": "pads-adult", "key": "pads-adult/fitted/9"},
            "Replace adult pads of MILL-03, reception – Mill Lane",
        ),
        (
            {"kind": "battery", "key": "battery/spare/9", "standing": "order now"},
            "Order now: spare battery of MILL-03, reception – Mill Lane",
        ),
        (
            {"kind": "kit-gloves", "key": "kit-gloves/fitted/9"},
            "Replace gloves (kit) of MILL-03, reception – Mill Lane",
        ),
        (
            {"kind": "pads-child", "key": "pads-child/fitted/none"},
            "Fit the missing child pads of MILL-03, reception – Mill Lane",
        ),
        (
            {"kind": "battery", "key": "battery/fitted/none", "standing": "not recorded"},
            "None on record: battery of MILL-03, reception – Mill Lane",
        ),
        (
            {"kind": "battery", "key": "battery/fitted/3", "standing": "not recorded"},
            "No date recorded: battery of MILL-03, reception – Mill Lane",
        ),
        ({"standing": "not recorded"}, "No date recorded: look at MILL-03, reception – Mill Lane"),
        (
            {"kind": "pads-adult", "key": "pads-adult/spare/9", "unit": "", "spot": ""},
            "Replace spare adult pads kept at Mill Lane",
        ),
        (
            {"kind": "put-right", "key": "put-right", "subject": "put right: status: fault", "standing": "overdue"},
            "Overdue: put right on MILL-03: status: fault, reception – Mill Lane",
        ),
        (
            {"kind": "certificate", "key": "certificate/3", "subject": "renew the certificate"},
            "Renew the certificate: MILL-03, reception – Mill Lane",
        ),
    ],
)
def test_the_summary_says_what_on_which_unit_and_where(more: dict[str, Any], said: str) -> None:
    assert _shown(**more)["summary"] == said


def test_the_description_gives_the_reasons_with_force_source_and_date() -> None:
    reasons = [
        because("Look every 90 days", "2027-02-23", force="law", source="Code §1", verified_on="2026-10-01"),
        because("Half-yearly test", "2027-05-25", force="house", source="house", verified_on=None),
    ]
    said = _shown(
        last_good_day=date(2027, 2, 23),
        opens=date(2027, 1, 24),
        order_by=date(2027, 1, 5),
        deadline=datetime(2027, 2, 23, 11, 0, tzinfo=UTC),
        because=json.dumps(reasons),
    )["description"]
    assert said.splitlines() == [
        "Last good day: 2027-02-23; the first bad day is 2027-02-24. Can be done from 2027-01-24.",
        "Deadline: 2027-02-23 12:00 (Europe/Paris).",
        "Order by: 2027-01-05.",
        "Why: Look every 90 days (law; source: Code §1, verified on 2026-10-01): last done 2026-11-01.",
        "Also: Half-yearly test (house): last done 2026-11-01; by this alone good to 2027-05-25.",
        "Responsible: site contact.",
        "As of 2026-11-25, when this last changed. What is known now: http://127.0.0.1:8470/units/MILL-03",
        "A date in a calendar does not show that a unit works: look at the unit. "
        "Rules are shown with their source and date and are not legal advice.",
    ]


def test_words_that_change_come_with_another_form() -> None:
    """Kept bytes are made anew only when `feed.FORM` says that the same duty gives other bytes than before.

    If this fails, words were changed on purpose: raise FORM and put the new pair here.
    """
    said = hashlib.sha256()
    for kind in ("look", "test", "inspection", "restore", "report-use", "put-right", "pads-adult", "kit-gloves", "x-y"):
        for standing in ("ahead", "open", "order now", "overdue", "not recorded"):
            for state in ("fitted/3", "fitted/none", "spare/3"):
                good = date(2026, 12, 1) if standing != "not recorded" else None
                one = due(
                    kind=kind,
                    key=f"{kind}/{state}",
                    subject="put right: status: fault" if kind == "put-right" else kind,
                    standing=standing,
                    last_good_day=good,
                    order_by=good,
                    deadline=datetime(2026, 12, 1, 11, 0, tzinfo=UTC),
                    because=json.dumps([because(), because("Other", "2027-01-01", verified_on=None)]),
                    floor="2",
                )
                words = (summary(one), description(one, "page"), location(one), *categories(one))
                said.update("\n".join(words).encode())
    assert (FORM, said.hexdigest()[:16]) == (2, "ae65a5a03669a478")


def test_as_of_is_the_day_at_the_site() -> None:
    # 23:30 UTC is the next civil day in Auckland and the same in Los Angeles.
    at = datetime(2026, 11, 24, 23, 30, tzinfo=UTC)
    assert "As of 2026-11-25," in _shown(changed_at=at, zone="Pacific/Auckland")["description"]
    assert "As of 2026-11-24," in _shown(changed_at=at, zone="America/Los_Angeles")["description"]


def test_the_place_is_the_units_with_six_decimals_and_left_out_where_it_is_none() -> None:
    body, _ = render(due(latitude=0.00001, longitude=-120.5, floor="2"), EVENTS, SETTINGS)
    assert b"GEO:0.000010;-120.500000\r\n" in body  # the library alone writes 1e-05
    assert b"LOCATION:reception\\, floor 2\\, Mill Lane\\, 1 Example Street\r\n" in body
    body, _ = render(due(latitude=91.0, longitude=0.0), EVENTS, SETTINGS)
    assert b"GEO" not in body


def test_a_unit_code_is_quoted_in_its_address() -> None:
    item = _shown(unit="A B/ü")
    assert item["url"] == "http://127.0.0.1:8470/units/A%20B%2F%C3%BC"


@pytest.mark.parametrize(
    ("title", "lengths"),
    [("A" * 67, [75]), ("A" * 68, [75, 2]), ("A" * 66 + "é", [74, 3])],
    ids=["75 octets", "76 octets", "never inside a character"],
)
def test_lines_are_folded_at_75_octets(title: str, lengths: list[int]) -> None:
    # RFC 5545 §3.1; published-facts §5 (COMPUTED from the rule): "SUMMARY:" and 67 letters fill one line.
    event = blank(EVENTS, "u", 0, datetime(2026, 1, 1, tzinfo=UTC), title, "d", "http://example.org/")
    found = octets(event).split(b"\r\n")
    start = next(place for place, line in enumerate(found) if line.startswith(b"SUMMARY:"))
    assert [len(line) for line in found[start : start + len(lengths)]] == lengths
    assert not found[start + len(lengths)].startswith(b" ")


def test_text_is_escaped_and_a_colon_is_not() -> None:
    # RFC 5545 §3.3.11.
    body, _ = render(due(spot="left: of, the; lift\\"), EVENTS, SETTINGS)
    assert b"SUMMARY:Look at MILL-03\\, left: of\\, the\\; lift\\\\ \xe2\x80\x93 Mill Lane\r\n" in body


def test_the_standards_own_escapes_are_read_back() -> None:
    # RFC 5545 §3.3.11: an intentional line break in a value.
    said = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    event = blank(EVENTS, "u", 0, datetime(2026, 1, 1, tzinfo=UTC), "s", said, "http://example.org/")
    assert b"DESCRIPTION:Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared." in octets(event)


def test_an_event_on_one_day_is_never_without_an_end() -> None:
    event = Event()
    on_last_good_day(event, date(2028, 2, 29))
    assert octets(event).count(b"DTEND;VALUE=DATE:20280301") == 1


@pytest.mark.parametrize(
    "broken",
    [
        {"because": "not JSON"},
        {"because": "[{}]"},
        {"because": "[]", "zone": "Mars/Base"},
        {"last_good_day": date.max},
        {"uid": "u", "because": "[1]"},
    ],
)
@pytest.mark.parametrize("kind", [EVENTS, TASKS])
def test_a_duty_that_cannot_be_shown_points_to_the_page_and_is_logged(
    broken: dict[str, Any], kind: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, "nightround.calendars"):
        body, is_whole = render(due(**broken), kind, SETTINGS)
    assert not is_whole
    (item,) = Calendar.from_ical(_feed(body)).subcomponents
    assert item["uid"] == broken.get("uid", "4b1c2f4e-0000-5000-8000-000000000002")
    assert item["summary"] == "See the page: a duty of MILL-03 cannot be shown here"
    assert [record.getMessage() for record in caplog.records] == ["event set aside"]
    if kind == EVENTS:
        assert item["dtstart"].dt == broken.get("last_good_day", date(2026, 12, 1))


def test_a_folded_line_of_the_standard_is_read_back() -> None:
    # RFC 5545 §3.1: the three lines of its example are one.
    text = (
        b"BEGIN:VEVENT\r\nUID:u\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;VALUE=DATE:20260101\r\n"
        b"DTEND;VALUE=DATE:20260102\r\nDESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line.\r\n"
        b"SUMMARY:s\r\nEND:VEVENT\r\n"
    )
    (item,) = Calendar.from_ical(_feed(text)).subcomponents
    assert item["description"] == "This is a long description that exists on a long line."


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=600))
def test_folding_loses_nothing_and_divides_no_character(line: str) -> None:
    pieces = folded(line).removesuffix(b"\r\n").split(b"\r\n")
    assert all(len(piece) <= 75 for piece in pieces)
    # No shorter than a character of four octets and an escape force.
    assert all(len(piece) >= 71 for piece in pieces[:-1])
    whole = pieces[0].decode("utf-8") + "".join(piece.decode("utf-8").removeprefix(" ") for piece in pieces[1:])
    assert whole == line


@pytest.mark.parametrize("before", range(64, 72))
def test_folding_never_divides_an_escape(before: int) -> None:
    line = "SUMMARY:" + "A" * before + "\\,\\\\\\n\\;B"
    pieces = folded(line).split(b"\r\n ")
    assert b"".join(pieces) == line.encode() + b"\r\n"
    for piece in pieces:
        assert (len(piece) - len(piece.rstrip(b"\\"))) % 2 == 0, piece


def test_text_is_made_one_line_without_control_characters() -> None:
    assert one_line(" a\r\nBEGIN:VALARM\x00\x85\u2028b\x1f\t c ") == "a BEGIN:VALARM b c"
    assert one_line(None) == ""


@given(st.text(max_size=400), st.integers(4, 300))
def test_what_is_shortened_fits_and_is_whole_characters(text: str, octets: int) -> None:
    line = one_line(text)
    short = shortened(line, octets)
    assert len(short.encode("utf-8")) <= octets
    assert short == line or short.endswith("…")


NASTY = st.one_of(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=60),
    st.sampled_from(
        [
            "\r\nBEGIN:VALARM\r\nTRIGGER:-PT5M",
            "a\nb",
            "=?UTF-8?Q?=0A?=Bcc: x",
            'q"uo\\te;,:',
            "\u202etxt\u202c",
            "é" * 80,
            "🫀" * 40,
            "\x00\x07\x1b[31m",
            "END:VEVENT",
            "\u2028\u2029\x85",
            "C:\\new\\,N",
        ]
    ),
)


@settings(max_examples=60, deadline=None)
@given(NASTY, NASTY, NASTY, NASTY, st.sampled_from(["overdue", "ahead"]))
def test_no_text_of_the_register_breaks_a_feed(spot: str, site: str, unit: str, note: str, standing: str) -> None:
    said = json.dumps([because(note, evidence=note, source=note)])
    parts = []
    for kind in (EVENTS, TASKS):
        more = {"spot": spot, "site_name": site, "unit": unit, "address": note, "subject": f"put right: {note}"}
        one = due(**more, because=said, standing=standing, floor=spot, kind="put-right", uid=f"u-{kind}")
        body, is_whole = render(one, kind, SETTINGS)
        assert is_whole
        parts.append(body)
    feed = _feed(*parts)
    assert all(len(line) <= 75 for line in lines(feed))
    feed.decode("utf-8")
    calendar = Calendar.from_ical(feed)
    assert [item.name for item in calendar.walk()] == ["VCALENDAR", "VEVENT", "VTODO"]
    seen = agreed(feed)
    assert {said.start for said in seen.values()} == {date(2026, 12, 1), date(2026, 11, 22)}
    assert {said.kind: said.end for said in seen.values()} == {"VEVENT": date(2026, 12, 2), "VTODO": date(2026, 12, 1)}
