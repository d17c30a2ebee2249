"""No calendar file keeps the letters from being written: what would never end is refused, and said in one sentence."""

from __future__ import annotations

import resource
import time
from pathlib import Path

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.cases.rota import calendar_file
from nightround.cases.rota.kept import keep
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.store.tables import messages
from nightround.sweeping import look_round

from .build import calendar, load, settle, shown, with_file

SHIFT = "SUMMARY:P1\nDTSTART:20261125T080000Z\nDTEND:20261125T200000Z"
GOOD = "SUMMARY:P2\nDTSTART:20261125T080000Z\nDTEND:20261126T080000Z"
SECONDS = 10.0  # many times what any of them takes; without a bound they take minutes, or for ever
ZONE = (
    "BEGIN:VTIMEZONE\nTZID:Made Up\nBEGIN:STANDARD\nDTSTART:19700101T000000\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0000\n"
    "RRULE:FREQ=SECONDLY\nEND:STANDARD\nEND:VTIMEZONE"
)

# What one event says → what is said of it. The other event of the file stands.
EVENTS = {
    "an interval of nothing": (f"{SHIFT}\nRRULE:FREQ=DAILY;INTERVAL=0", "INTERVAL"),
    "an interval below nothing": (f"{SHIFT}\nRRULE:FREQ=DAILY;INTERVAL=-1", "INTERVAL"),
    "every minute": (f"{SHIFT}\nRRULE:FREQ=MINUTELY;INTERVAL=720", "more often than every hour"),
    "every second": (f"{SHIFT}\nRRULE:FREQ=SECONDLY", "more often than every hour"),
    "every second of every day": (
        f"{SHIFT}\nRRULE:FREQ=DAILY;BYHOUR=1,2;BYMINUTE=1;BYSECOND={','.join(map(str, range(60)))}",
        "more often than every hour",
    ),
    "hours that never come": (f"{SHIFT}\nRRULE:FREQ=HOURLY;BYMONTH=2;BYMONTHDAY=30", "HOURLY"),
    "a day that never comes": (f"{SHIFT}\nRRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", "never comes"),
    "more shifts than there are hours": (f"{SHIFT}\nRRULE:FREQ=DAILY;COUNT=2000000000", "COUNT"),
    "a count of a thousand digits": (f"{SHIFT}\nRRULE:FREQ=DAILY;COUNT={'9' * 5000}", ""),
    "every hour since long ago": (
        "SUMMARY:P1\nDTSTART:19700101T080000Z\nDTEND:19700101T200000Z\nRRULE:FREQ=HOURLY", "begin it later",
    ),
    "a swap far away": (f"{SHIFT}\nRECURRENCE-ID:99981125T080000Z\nUID:a\nRRULE:FREQ=DAILY", "RECURRENCE-ID"),
    "from now on, from far away": (
        f"{SHIFT}\nUID:a\nRRULE:FREQ=DAILY\nEND:VEVENT\nBEGIN:VEVENT\nUID:a\nDTSTAMP:20260101T000000Z\n{SHIFT}\n"
        "RECURRENCE-ID;RANGE=THISANDFUTURE:00010102T000000Z", "RECURRENCE-ID",
    ),
    "a period as its start": ("SUMMARY:P1\nDTSTART;VALUE=PERIOD:20261125T080000Z/PT12H\nDURATION:PT1H", ""),
    "periods as further dates": (f"{SHIFT}\nRDATE;VALUE=PERIOD:20261201T080000Z/20261101T080000Z", ""),
    "periods as dates left out": (f"{SHIFT}\nRRULE:FREQ=DAILY\nEXDATE;VALUE=PERIOD:20261126T080000Z/PT1H", ""),
    "the first day there is": ("SUMMARY:P1\nDTSTART:00010101T000000Z\nDTEND:00010102T000000Z", "too far off"),
    "the last day there is": ("SUMMARY:P1\nDTSTART:99991231T230000Z\nDURATION:PT12H", "too far off"),
    "a zone that is a folder": ("SUMMARY:P1\nDTSTART;TZID=../../../etc:20261125T080000\nDURATION:PT12H", ""),
}  # fmt: skip

# Whole files that are refused, and what is said of them.
FILES = {
    "a zone that changes every second": (calendar(GOOD, head=ZONE), "time zone"),
    "a zone with a name without end": (
        calendar(f"SUMMARY:P1\nDTSTART;TZID={'Z' * 70000}:20261125T080000\nDURATION:PT12H"),
        "time zone",
    ),
    "a home zone with a name without end": (calendar(GOOD, head="X-WR-TIMEZONE:" + "Z" * 70000), ""),
    "a hundred thousand events": (calendar(*[GOOD] * 30_000), "events"),
    "half a million dates": (calendar(f"{SHIFT}\nRDATE:" + ",".join(["20261125T080000Z"] * 400_000)), "dates"),
    "boxes in boxes": (b"BEGIN:VCALENDAR\r\n" + b"BEGIN:VEVENT\r\n" * 200_000 + b"END:VCALENDAR\r\n", ""),
}


@pytest.fixture
def here(program: Program) -> Program:
    settle(program)
    return program


@pytest.mark.parametrize("what", EVENTS)
def test_an_event_that_would_never_end_is_refused_and_the_others_stand(
    what: str, here: Program, tmp_path: Path
) -> None:
    event, said = EVENTS[what]
    program = with_file(here, tmp_path, calendar(event, GOOD))
    began = time.monotonic()
    rota = load(program, "2026-11-25", "2026-12-25")
    assert time.monotonic() - began < SECONDS
    assert ("P2", "2026-11-25 08:00", "2026-11-26 08:00") in shown(rota.shifts(rota.start, rota.end))
    assert any(said in problem for problem in rota.problems) or not said
    assert rota.problems or what.startswith(("a zone", "periods")), "it is said"


@pytest.mark.parametrize("what", FILES)
def test_a_file_that_would_never_end_leaves_its_last_good_reading_in_use(
    what: str, here: Program, tmp_path: Path
) -> None:
    body, said = FILES[what]
    program = with_file(here, tmp_path, calendar(GOOD))
    keep(program)
    program = with_file(here, tmp_path, body)
    began = time.monotonic()
    keep(program)
    rota = load(program, "2026-11-25", "2026-12-25")
    assert time.monotonic() - began < SECONDS
    assert ("P2", "2026-11-25 08:00", "2026-11-26 08:00") in shown(rota.shifts(rota.start, rota.end))
    assert any(said in problem for problem in rota.problems)


@pytest.mark.parametrize("what", [*EVENTS, *FILES])
def test_the_letters_are_written_whatever_the_file_holds(what: str, program: Program, tmp_path: Path) -> None:
    settle(program)
    with program.store.write() as conn:
        record(conn, NewEntry(1, program.clock(), "fault", "P1"), program.clock())
    body = FILES[what][0] if what in FILES else calendar(EVENTS[what][0])
    program = with_file(program, tmp_path, body)
    look_round(program)
    with program.store.read() as conn:
        assert conn.execute(select(messages.c.id)).first() is not None


def test_a_bad_file_costs_its_time_once(here: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many rules of which each is allowed and all together take long: given up, and not begun anew at each look."""
    monkeypatch.setattr(calendar_file, "LONGEST_SECONDS", 1.0)
    rule = "RRULE:FREQ=DAILY;INTERVAL=7;BYDAY=TH"  # from a Wednesday on, every seventh day is one again
    program = with_file(here, tmp_path, calendar(GOOD))
    keep(program)
    program = with_file(here, tmp_path, calendar(GOOD, *[f"{SHIFT}\n{rule}"] * 400))
    rota = load(program, "2026-11-25", "2026-12-25")
    assert any("takes longer than" in problem for problem in rota.problems)
    assert ("P2", "2026-11-25 08:00", "2026-11-26 08:00") in shown(rota.shifts(rota.start, rota.end))
    began = time.monotonic()
    for day in range(3):
        load(program, f"2026-11-2{5 + day}", "2026-12-25")
        keep(program)
    assert time.monotonic() - began < 2


def test_a_large_file_of_a_year_is_still_read(here: Program, tmp_path: Path) -> None:
    events = [f"SUMMARY:P{1 + n % 3}\nDTSTART:2026{1 + n % 12:02}{1 + n % 28:02}T{n % 24:02}0000Z\nDURATION:PT8H"
              for n in range(2000)]  # fmt: skip
    program = with_file(here, tmp_path, calendar(*events))
    rota = load(program, "2026-11-01", "2026-11-30")
    assert rota.problems == ()
    assert len(shown(rota.shifts(rota.start, rota.end))) > 100


def test_what_is_refused_costs_little_memory(here: Program, tmp_path: Path) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number, (body, _) in enumerate(FILES.values()):
        (tmp_path / str(number)).mkdir()
        load(with_file(here, tmp_path / str(number), body), "2026-11-25", "2026-12-25")
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) < 300_000, "kB"
