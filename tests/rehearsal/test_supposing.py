"""The file of what is supposed: how times are read, what is refused, and what comes of each thing."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.register.leaving import leave
from nightround.rehearsal.events import Away, Leaves, Logged, Taken
from nightround.rehearsal.programme import Programme
from nightround.rehearsal.rehearsing import coming_days, rehearse
from nightround.rehearsal.supposed import Supposed, read_supposed
from nightround.settings import Settings
from nightround.store.database import Store
from nightround.store.tables import people
from tests.conftest import START, Clock

from .build import furnish

ADA_LEAVES = "[[leaves]]\nperson = 'ada'\non = 2026-11-30"


@pytest.fixture
def paper(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    program = Program(settings, sqlite_store, clock)
    settings.rounds.tick_seconds = 900
    furnish(program, clock().date())
    return program


def _read(program: Program, tmp_path: Path, text: str, days: int = 10) -> Supposed:
    file = tmp_path / "suppose.toml"
    file.write_text(text, encoding="utf-8")
    wanted = coming_days(program, days)
    with program.store.read() as conn:
        return read_supposed(conn, program.settings, file, wanted.start, wanted.end)


def _run(program: Program, tmp_path: Path, text: str = "", days: int = 3) -> Programme:
    if not text:
        return rehearse(program, coming_days(program, days))
    file = tmp_path / "suppose.toml"
    file.write_text(text, encoding="utf-8")
    return rehearse(program, coming_days(program, days), file)


def test_times_are_those_of_the_site_and_a_bare_day_is_its_noon(paper: Program, tmp_path: Path) -> None:
    found = _read(
        paper,
        tmp_path,
        """
        [[used]]
        unit = "COVE-01"
        at = 2026-12-01
        [[fault]]
        unit = "BAY-01"
        at = "2026-11-30T14:30"
        [[taken]]
        unit = "BAY-01"
        by = "ada"
        at = 2026-12-02T08:00:00+02:00
        until = 2026-12-03
        [[away]]
        person = "bo"
        from = 2026-11-20
        until = 2026-11-30
        """,
    )
    away, fault, used, taken = found.events
    assert isinstance(away, Away)
    assert (away.from_on, away.until_on) == (date(2026, 11, 20), date(2026, 11, 30))
    assert isinstance(fault, Logged)
    assert fault.at == datetime(2026, 11, 30, 13, 30, tzinfo=UTC)
    assert isinstance(used, Logged)
    assert used.at == datetime(2026, 12, 1, 20, 0, tzinfo=UTC)
    assert isinstance(taken, Taken)
    assert taken.at == datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
    assert taken.until == datetime(2026, 12, 3, 23, 0, tzinfo=UTC)  # the day itself is still in it


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[usd]]\nunit = 'BAY-01'", "key usd: is not known (did you mean used?)"),
        ("[[used]]\nunit = 'BAY-O1'\nat = 2026-12-01", "'BAY-O1' is not in the register (did you mean BAY-01"),
        ("[[used]]\nunit = 'BAY-01'\nat = 2026-12-01\nby = 'eve'", "used 1, key by: 'eve' is not in the register"),
        ("[[used]]\nunit = 'BAY-01'\nat = 2026-11-24", "key at: 2026-11-24T11:00:00+00:00 is not within what"),
        ("[[used]]\nunit = 'BAY-01'\nat = 2027-11-24", "choose another time, or other days"),
        ("[[used]]\nunit = 'BAY-01'\nat = 2026-12-01\nwhen = 3", "used 1, key when: is not known"),
        ("[[used]]\nunit = 'BAY-01'", "used 1, key at: is missing; write a day such as 2026-12-03"),
        ("[[used]]\nunit = 'BAY-01'\nat = 'soon'", "'soon' is not a time; write a day such as"),
        ("[[used]]\nunit = 'BAY-01'\nat = 2026-12-01T10:00", "is written with its seconds"),
        ("[[check]]\nunit = 'BAY-01'\nat = 2026-12-01\nreadings = { self-test = 'fine-ish' }", "self-test='fine-ish'"),
        ("[[struck]]\nunit = 'BAY-01'\nat = 2026-12-01", "key struck: is not known"),
        ("[[away]]\nperson = 'bo'\nfrom = 2026-12-03\nuntil = 2026-12-01", "is before `from`; choose a later day"),
        ("[[away]]\nperson = 'bo'\nfrom = 2026-10-01\nuntil = 2026-10-03", "is not within what is rehearsed"),
        ("[[leaves]]\nperson = 'eve'\non = 2026-11-30", "leaves 1, key person: 'eve' is not in the register"),
        ("[[leaves]]\nperson = 'ada'", "leaves 1, key on: is missing; write it"),
        ("[[leaves]]\nperson = 'ada'\non = 2026-11-24", "key on: 2026-11-24 is past; give 2026-11-25, or a later day"),
        ("[[leaves]]\nperson = 'ada'\non = 2026-12-05", "is not over before the end; give 2026-12-04 or an earlier"),
        ("[[leaves]]\nperson = 'ada'\non = 9999-12-31", "is not over before the end; give 2026-12-04 or an earlier"),
        (f"{ADA_LEAVES}\nreplaced_by = 'ada'", "ada cannot take over from themselves"),
        (f"{ADA_LEAVES}\nreplaced_by = 'em'", "key replaced_by: 'em' is not in the register"),
        (f"{ADA_LEAVES}\nreplaced = 'bo'", "replaced: is not known (did you mean replaced_by?)"),
        (
            f"{ADA_LEAVES}\n[[leaves]]\nperson = 'ada'\non = 2026-12-01",
            "leaves 2, key person: ada leaves already above; take one of them out",
        ),
        (
            f"{ADA_LEAVES}\nreplaced_by = 'bo'\n[[leaves]]\nperson = 'bo'\non = 2026-11-29",
            "leaves 1, key replaced_by: the last day of bo is to be 2026-11-29; name somebody who stays",
        ),
        ("[[closed]]\nsite = 'BAI'\nfrom = 2026-12-01\nuntil = 2026-12-02", "'BAI' is not in the register (did"),
        ("[[smtp_down]]\nfrom = 2026-12-03\nuntil = 2026-12-01", "is not after `from`; choose a later time"),
        ("[[taken]]\nunit = 'BAY-01'\nby = 'ada'\nat = 2026-12-01\nuntil = 2027-06-01", "is not within 31 days after"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_its_place_and_cure(
    paper: Program, tmp_path: Path, text: str, said: str
) -> None:
    with pytest.raises(UserError) as caught:
        _read(paper, tmp_path, text)
    assert "suppose.toml" in str(caught.value)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "supposes nothing; write what happens, such as [[used]]"),
        (b"# to be written\n", "supposes nothing"),
        (b"unit;event;at\nBAY-01;used;2026-12-01\n", "is a table such as a spreadsheet writes; write what happens"),
        (b"\xef\xbb\xbfunit,event,at\r\nBAY-01,used,2026-12-01\r\n", "is a table such as a spreadsheet writes"),
        (b"PK\x03\x04\x14\x00", "is a workbook; write what happens into a text file"),
        ("[[used]]\nunit = 'BAY-01'".encode("utf-16"), "is not UTF-8 text; save it as UTF-8"),
        (b"[[used]]\n\nat = 26.11.2026", "line 3 reads 'at = 26.11.2026': a day is written year-month-day"),
        (b"[[used]]\nunit = BAY-01", "line 2 reads 'unit = BAY-01': a text stands between \"quotes\""),
        (b"[[used]]\nat = 2026-11-31", "line 2 reads 'at = 2026-11-31': there is no day 2026-11-31; correct it"),
        (b"[[used]]\nat = 2026-11-30T10:00\n", "a time is written with its seconds, 2026-12-03T14:30:00"),
        (b"[[used]]\nunit = 'BAY-01'\nunit = 'BAY-02'", "line 3 reads \"unit = 'BAY-02'\": the key stands there twice"),
        (b'[[used]]\nunit = "BAY-01\nat = 1', "the quote that is opened there is not closed; close it"),
        (b"[[used]\n", "line 1 reads '[[used]': correct it (Expected ']]'"),
        (b"[[used]]\nunit = [", "at its end something is missing, such as a quote or a bracket; write it"),
        (b"[used]\nunit = 'BAY-01'", "key used: is not a list of tables; write [[used]] above the keys of each"),
        (b"[[used]]\nunit = 'bay-01'\nAt = 2026-12-01", "'bay-01' is not in the register (did you mean BAY-01?)"),
        (b"[[used]]\nunit = 'bay-01'\nAt = 2026-12-01", "key At: is not known (did you mean at?)"),
        (
            b"[[away]]\nperson = 'bo'\nfrom = 2026-12-01\nuntil = 2030-12-01",
            "away 1, key until: 2026-12-01 to 2030-12-01 is longer than two years; correct the year",
        ),
        (
            b"[[closed]]\nsite = 'BAY'\nfrom = 2026-12-01\nuntil = 2026-12-01\n" * 2,
            "closed 2, key from: BAY has a record from 2026-12-01 on already above; make one of the two",
        ),
    ],
)  # fmt: skip
def test_a_file_of_another_kind_and_a_slip_of_the_pen_are_told_apart(
    paper: Program, tmp_path: Path, data: bytes, said: str
) -> None:
    file = tmp_path / "suppose.toml"
    file.write_bytes(data)
    wanted = coming_days(paper, 10)
    with pytest.raises(UserError) as caught, paper.store.read() as conn:
        read_supposed(conn, paper.settings, file, wanted.start, wanted.end)
    assert "suppose.toml" in str(caught.value)
    assert said in str(caught.value)


def test_a_file_that_is_not_there_or_is_a_folder_is_said_so(paper: Program, tmp_path: Path) -> None:
    wanted = coming_days(paper, 10)
    for path, said in (
        (tmp_path / "none.toml", "because it is not there; name a file"),
        (tmp_path, "is a folder; name the file in it"),
    ):
        with pytest.raises(UserError, match=said), paper.store.read() as conn:
            read_supposed(conn, paper.settings, path, wanted.start, wanted.end)


def test_a_mark_at_the_beginning_and_line_ends_of_another_system_are_read_over(paper: Program, tmp_path: Path) -> None:
    text = "\ufeff[[used]]\r\nunit = 'BAY-01'\r\nat = 2026-12-01\r\n"
    assert [event.where.rpartition(", ")[2] for event in _read(paper, tmp_path, text).events] == ["used 1"]


def test_everything_that_is_wrong_is_said_at_once(paper: Program, tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        _read(paper, tmp_path, "[[used]]\nunit = 'X'\nat = 2026-12-01\n[[smtp_dwn]]\n")
    assert str(caught.value).startswith("2 things are wrong")


def test_what_cannot_happen_then_names_its_place(paper: Program, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"suppose\.toml, fitted 1: 'fitted' needs to say which part"):
        _run(paper, tmp_path, "[[fitted]]\nunit = 'BAY-01'\nby = 'ada'\nat = 2026-11-26")


def test_its_cure_is_said_in_keys_of_the_file(paper: Program, tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        _run(paper, tmp_path, "[[fitted]]\nunit = 'BAY-01'\nby = 'ada'\nat = 2026-11-26")
    assert str(caught.value).endswith("""'fitted' needs to say which part: part = { kind = "battery" }""")
    with pytest.raises(UserError) as caught:
        _run(paper, tmp_path, "[[moved]]\nunit = 'BAY-01'\nat = 2026-11-26\nreadings = { site = 'COVE' }")
    assert 'say who (by = "PERSON"), or' in str(caught.value)


def test_a_use_is_told_at_the_next_look_to_whoever_is_called_there(paper: Program, tmp_path: Path) -> None:
    plain = _run(paper, tmp_path)
    found = _run(paper, tmp_path, "[[used]]\nunit = 'BAY-02'\nby = 'ada'\nat = 2026-11-26")
    more = [one for one in found.messages if "BAY-02" in one.about and one.kind == "escalation"]
    assert not [one for one in plain.messages if "BAY-02" in one.about]
    assert more[0].at == datetime(2026, 11, 26, 11, 0, tzinfo=UTC)
    assert more[0].to == "ada@example.org"
    assert [case["unit"] for case in found.cases if case["severity"] == "urgent"] == ["BAY-02"]
    assert "ada" in {one["person"] for one in found.cases[0]["told"]}


def test_who_is_refused_gets_nothing_and_the_next_step_is_told_at_once(paper: Program, tmp_path: Path) -> None:
    text = "[[refused]]\nperson = 'ada'\nfrom = 2026-11-25\nuntil = 2026-11-30\n"
    found = _run(paper, tmp_path, text + "[[used]]\nunit = 'BAY-02'\nat = 2026-11-26\n")
    assert not [one for one in found.messages if one.to == "ada@example.org"]
    assert {one.to for one in found.unsent} == {"ada@example.org"}
    assert found.unsent[0].answer.startswith("RCPT: 550")
    others = [one for one in found.messages if "BAY-02" in one.about]
    assert others[0].at == datetime(2026, 11, 26, 11, 15, tzinfo=UTC)  # at the look after it was given up


def test_where_mail_is_down_for_long_what_is_urgent_is_given_up_and_said(paper: Program, tmp_path: Path) -> None:
    text = "[[smtp_down]]\nfrom = 2026-11-25\nuntil = 2026-11-30\n[[used]]\nunit = 'BAY-02'\nat = 2026-11-26\n"
    found = _run(paper, tmp_path, text)
    assert not found.messages
    given_up = [one for one in found.unsent if one.at is not None and one.urgent]
    assert given_up
    for one in given_up:
        assert one.at is not None
        # mail.urgent_give_up_hours after it was written, at the next look
        assert (one.at - one.written_at).total_seconds() in (4 * 3600, 4 * 3600 + 900)


def test_a_case_that_nobody_has_open_then_cannot_be_taken(paper: Program, tmp_path: Path) -> None:
    text = "[[taken]]\nunit = 'BAY-02'\nby = 'ada'\nat = 2026-11-26\nuntil = 2026-11-27\n"
    found = _run(paper, tmp_path, text)
    assert "no case of BAY-02 is open then" in found.notes[0]


def _last_day(program: Program, person: str, on: date) -> None:
    with program.store.write() as conn:
        leave(conn, person, on, now=START)


def test_who_has_left_cannot_leave_and_who_is_leaving_cannot_take_over(paper: Program, tmp_path: Path) -> None:
    _last_day(paper, "bo", date(2026, 11, 23))
    with pytest.raises(UserError, match="leaves 1, key person: bo has left already, on 2026-11-23; take this out"):
        _read(paper, tmp_path, "[[leaves]]\nperson = 'bo'\non = 2026-11-30")
    with pytest.raises(UserError, match="key replaced_by: the last day of bo is 2026-11-23; name somebody who stays"):
        _read(paper, tmp_path, f"{ADA_LEAVES}\nreplaced_by = 'bo'")


def test_a_last_day_is_over_at_midnight_where_the_person_is(paper: Program, tmp_path: Path) -> None:
    """Bo is in Los Angeles, where 4 December ends at 08:00 UTC of the 5th, an hour after these ten days have."""
    paper.clock.now = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)  # type: ignore[attr-defined]
    with pytest.raises(UserError, match=r"2026-12-04 shows nothing.*give 2026-12-03 or an earlier day"):
        _read(paper, tmp_path, "[[leaves]]\nperson = 'bo'\non = 2026-12-04")
    found = _read(paper, tmp_path, "[[leaves]]\nperson = 'bo'\non = 2026-11-24\nreplaced_by = 'ada'").events
    assert [type(one) for one in found] == [Leaves], "there the 24th has not ended yet"


def test_from_the_minute_somebody_has_left_the_next_step_is_told(paper: Program, tmp_path: Path) -> None:
    """Ada, alone on call, is told in the evening of her last day; the coordinator at the midnight that ends it, and
    not only four hours after the fault."""
    fault = "[[fault]]\nunit = 'BAY-02'\nat = 2026-11-26T22:30:00\n"
    with_her = _run(paper, tmp_path, fault)
    alone = _run(paper, tmp_path, fault + "[[leaves]]\nperson = 'ada'\non = 2026-11-26\n")
    when = {
        name: [(one.at, one.to) for one in found.messages if "BAY-02" in one.about and one.kind == "escalation"]
        for name, found in (("with", with_her), ("without", alone))
    }
    first = (datetime(2026, 11, 26, 21, 30, tzinfo=UTC), "ada@example.org")
    assert when["with"][:2] == [first, (datetime(2026, 11, 27, 1, 30, tzinfo=UTC), "coord@example.org")]
    assert when["without"][:2] == [first, (datetime(2026, 11, 26, 23, 0, tzinfo=UTC), "coord@example.org")]
    assert not [one for one in alone.messages if one.to == "ada@example.org" and one.at and one.at > first[0]]


def test_whoever_takes_over_is_told_in_their_place(paper: Program, tmp_path: Path) -> None:
    """Three leave one after the other, written down in another order; whoever is left has what all of them had."""
    text = """
        [[leaves]]
        person = "bo"
        on = 2026-11-26
        replaced_by = "mo"
        [[leaves]]
        person = "ada"
        on = 2026-11-25
        replaced_by = "bo"
        [[fault]]
        unit = "BAY-02"
        at = 2026-11-27T12:00:00
        """
    found = _run(paper, tmp_path, text)
    told_of = [one for one in found.messages if "BAY-02" in one.about and one.kind == "escalation"]
    assert (told_of[0].at, told_of[0].to) == (datetime(2026, 11, 27, 11, 0, tzinfo=UTC), "mo@example.org")
    assert not {"ada@example.org", "bo@example.org"} & {one.to for one in told_of}
    with paper.store.read() as conn:
        assert conn.execute(select(people.c.person).where(people.c.left_on.is_not(None))).all() == []


def test_a_site_of_which_nobody_is_left_is_said_at_the_end(paper: Program, tmp_path: Path) -> None:
    text = "[[leaves]]\nperson = 'coord'\non = 2026-11-25\n"
    plain, found = _run(paper, tmp_path), _run(paper, tmp_path, text)
    assert "no-contact" not in {case["kind"] for case in plain.cases}
    assert {case["site"] for case in found.cases if case["kind"] == "no-contact"} == {"BAY", "COVE"}


@pytest.mark.parametrize(
    ("days", "first", "said"),
    [(0, None, "--days 0"), (401, None, "from 1 to 400"), (3, date(2026, 11, 24), "2026-11-24 is past; give today")],
)
def test_days_that_cannot_be_rehearsed_are_refused(paper: Program, days: int, first: Any, said: str) -> None:
    with pytest.raises(UserError, match=said):
        coming_days(paper, days, first)


def test_a_later_beginning_is_the_midnight_of_the_fleets_zone(paper: Program) -> None:
    paper.settings.fleet.time_zone = "Europe/Berlin"
    wanted = coming_days(paper, 2, date(2027, 3, 27))
    assert (wanted.start, wanted.end) == (
        datetime(2027, 3, 26, 23, 0, tzinfo=UTC),
        datetime(2027, 3, 28, 22, 0, tzinfo=UTC),  # the second of the two days has 23 hours there
    )
    found = rehearse(paper, wanted)
    assert any("is not rehearsed" in note for note in found.notes)
