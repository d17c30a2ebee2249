"""Who is on call: the file and the table together, swaps, changes, gaps; on both databases."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from sqlalchemy import delete, func, select

from nightround.bootstrap import Program
from nightround.cases.absences import absences_between
from nightround.cases.rota import Gap
from nightround.cases.rota.kept import keep
from nightround.cases.rota.saying import on_call_now
from nightround.store.tables import person_roles, rota_files, sites
from tests.conftest import Clock

from .build import calendar, codes, gone, load, on_table, settle, shown, utc, with_file

# A week each in turn, from Monday 08:00 London time on.
TURNS = (
    "SUMMARY:On call: Ada Ferrow\nDTSTART;TZID=Europe/London:20261123T080000\n"
    "DTEND;TZID=Europe/London:20261130T080000\nRRULE:FREQ=WEEKLY;INTERVAL=2",
    "SUMMARY:p2\nDTSTART;TZID=Europe/London:20261130T080000\n"
    "DTEND;TZID=Europe/London:20261207T080000\nRRULE:FREQ=WEEKLY;INTERVAL=2",
)


@pytest.fixture
def office(program: Program) -> Program:
    settle(program)
    return program


def test_the_table_alone_says_who_is_on_call_and_when_that_changes(office: Program) -> None:
    on_table(office, 1, "2026-11-25 08:00", "2026-11-26 08:00")
    on_table(office, 1, "2026-11-26 08:00", "2026-11-27 08:00")
    on_table(office, 2, "2026-11-27 08:00", "2026-11-28 08:00")
    rota = load(office, "2026-11-25 09:00", "2026-12-05")
    assert rota.on_call(utc("2026-11-25 09:00")) == {1}
    assert rota.next_change(utc("2026-11-25 09:00")) == utc("2026-11-27 08:00")  # the same person before is no change
    assert rota.on_call(utc("2026-11-27 07:59")) == {1}
    assert rota.on_call(utc("2026-11-27 08:00")) == {2}  # until is exclusive
    assert rota.on_call(utc("2026-11-28 08:00")) == frozenset()
    assert rota.gaps(rota.start, rota.end) == [(utc("2026-11-28 08:00"), utc("2026-12-05"))]
    assert rota.next_change(utc("2026-11-28 08:00")) is None
    assert rota.problems == ()
    with pytest.raises(ValueError, match="not in the time"):
        rota.on_call(utc("2026-12-05"))


def test_without_a_rota_there_are_no_gaps_and_a_row_that_was_emptied_is_none(office: Program) -> None:
    on_table(office, 1, "2026-11-25 08:00", "2026-11-25 08:00")  # how an import takes a shift out
    rota = load(office, "2026-11-25 09:00", "2026-12-05")
    assert not rota.kept
    assert rota.gaps(rota.start, rota.end) == []
    assert rota.shifts(rota.start, rota.end) == []


def test_a_rota_that_nobody_kept_up_is_a_gap_and_not_none_at_all(office: Program) -> None:
    on_table(office, 1, "2024-01-01 08:00", "2024-02-01 08:00")
    rota = load(office, "2026-11-25 09:00", "2026-12-05")
    assert rota.unwatched(rota.start, rota.end) == [Gap(rota.start, rota.end, (1, 2), "nobody has a shift")]


def test_the_file_says_who_is_on_call_by_name_code_and_address(office: Program, tmp_path: Path) -> None:
    third = "SUMMARY:Night\nATTENDEE:mailto:P3@Example.org\nDTSTART:20261126T200000\nDTEND:20261127T060000"
    program = with_file(office, tmp_path, calendar(*TURNS, third))
    rota = load(program, "2026-11-25 09:00", "2026-12-20")
    assert rota.problems == ()
    assert shown(rota.shifts(rota.start, utc("2026-12-01"))) == [
        ("P1", "2026-11-23 08:00", "2026-11-30 08:00"),
        ("P3", "2026-11-26 20:00", "2026-11-27 06:00"),
        ("P2", "2026-11-30 08:00", "2026-12-07 08:00"),
    ]
    assert rota.on_call(utc("2026-11-26 21:00")) == {1, 3}  # overlapping shifts: both
    assert rota.next_change(rota.start) == utc("2026-11-26 20:00")
    assert rota.gaps(rota.start, rota.end) == []


def test_a_row_of_the_table_beats_the_file_for_its_time(office: Program, tmp_path: Path) -> None:
    program = with_file(office, tmp_path, calendar(*TURNS))
    on_table(office, 3, "2026-11-27 20:00", "2026-11-28 20:00")
    rota = load(program, "2026-11-25 09:00", "2026-12-02")
    assert shown(rota.shifts(rota.start, utc("2026-11-30"))) == [
        ("P1", "2026-11-23 08:00", "2026-11-27 20:00"),
        ("P3", "2026-11-27 20:00", "2026-11-28 20:00"),
        ("P1", "2026-11-28 20:00", "2026-11-30 08:00"),
    ]
    for site_id in (None, 1, 2):
        assert rota.on_call(utc("2026-11-28 12:00"), site_id) == {3}
        assert rota.on_call(utc("2026-11-28 20:00"), site_id) == {1}
    assert [shift.source for shift in rota.shifts(rota.start, utc("2026-11-30"))] == ["file", "table", "file"]


def test_a_swap_for_some_sites_leaves_the_others_to_whom_the_file_names(office: Program, tmp_path: Path) -> None:
    program = with_file(office, tmp_path, calendar(*TURNS))
    on_table(office, 4, "2026-11-27 20:00", "2026-11-28 20:00")  # P4 looks after the pool only
    rota = load(program, "2026-11-25 09:00", "2026-12-02")
    at = utc("2026-11-28 12:00")
    assert (rota.on_call(at, 1), rota.on_call(at, 2), rota.on_call(at)) == ({1}, {4}, {1, 4})
    assert rota.gaps(rota.start, rota.end) == []


def test_a_gap_is_of_the_sites_that_are_left_to_nobody(office: Program) -> None:
    on_table(office, 1, "2026-11-25 08:00", "2026-11-26 08:00")
    on_table(office, 4, "2026-11-26 08:00", "2026-11-27 08:00")
    rota = load(office, "2026-11-25 09:00", "2026-11-27 08:00")
    assert rota.unwatched(rota.start, rota.end) == [
        Gap(utc("2026-11-26 08:00"), utc("2026-11-27 08:00"), (1,), "nobody has a shift")
    ]
    with office.store.read() as conn:
        pool = on_call_now(conn, office.settings, utc("2026-11-26 09:00"), sites.c.site == "POOL", days=20)
        mill = on_call_now(conn, office.settings, utc("2026-11-26 09:00"), sites.c.site == "MILL", days=20)
        both = on_call_now(conn, office.settings, utc("2026-11-26 09:00"), days=20)
    assert [[one.person for one in found.now] for found in (pool, mill, both)] == [["P4"], [], ["P4"]]
    assert [(gap.sites, f"{gap.from_at:%d %H}") for gap in both.gaps] == [
        (("Mill Lane School",), "26 09"),
        (("Harbour Pool",), "27 08"),
    ]


def test_whoever_is_away_or_without_an_address_covers_nothing(office: Program) -> None:
    on_table(office, 1, "2026-11-25 08:00", "2026-12-02 08:00")
    on_table(office, 5, "2026-12-02 08:00", "2026-12-03 08:00")
    gone(office, 1, "2026-11-28", "2026-11-29")
    rota = load(office, "2026-11-25 09:00", "2026-12-03 08:00")
    assert rota.on_call(utc("2026-11-28 12:00")) == {1}  # the rota says so; who is passed over is the ladder's to say
    assert rota.unwatched(rota.start, rota.end) == [
        Gap(utc("2026-11-28"), utc("2026-11-30"), (1, 2), "P1 is away"),
        Gap(utc("2026-12-02 08:00"), utc("2026-12-03 08:00"), (1, 2), "P5 has no usable address"),
    ]
    assert [problem[:28] for problem in rota.problems] == ["person P5 has shifts, but no"]


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ("SUMMARY:Zed", "'Zed' is no person's code, name or address"),
        ("SUMMARY:P1 & Zed", "'Zed' is no person's code, name or address"),
        ("SUMMARY:Night", "'Night' is no person's code"),
        ("ATTENDEE:mailto:zed@example.org", "no person has the address zed@example.org"),
        ("SUMMARY:P1\nATTENDEE:mailto:zed@example.org", "no person has the address zed@example.org"),
        ("DESCRIPTION:night", "it names nobody"),
    ],
)
def test_a_name_that_nobody_has_is_found_and_names_the_event(
    office: Program, tmp_path: Path, event: str, said: str
) -> None:
    program = with_file(office, tmp_path, calendar(f"{event}\nDTSTART;VALUE=DATE:20261201"))
    rota = load(program, "2026-11-25 09:00", "2026-12-10")
    assert len(rota.problems) == 1
    assert said in rota.problems[0] and "of 2026-12-01" in rota.problems[0]
    assert {shift.person_id for shift in rota.shifts(rota.start, rota.end)} == ({1} if "P1" in event else set())
    assert load(program, "2026-12-05", "2026-12-10").problems == ()  # of shifts that are over nobody needs to hear


def test_two_people_of_one_name_are_told_apart_by_code_only(office: Program, tmp_path: Path) -> None:
    from sqlalchemy import insert

    from nightround.store.tables import people

    with office.store.write() as conn:
        conn.execute(insert(people).values(id=9, person="P9", name="ADA  ferrow", email="p9@example.org"))
    program = with_file(office, tmp_path, calendar("SUMMARY:Ada Ferrow\nDTSTART;VALUE=DATE:20261201"))
    rota = load(program, "2026-11-25 09:00", "2026-12-10")
    assert "'Ada Ferrow' may be P1 and P9; write the code" in rota.problems[0]
    assert rota.shifts(rota.start, rota.end) == []


def test_several_people_in_one_title_are_all_on_call(office: Program, tmp_path: Path) -> None:
    program = with_file(office, tmp_path, calendar("SUMMARY:Weekend: Ben Oakes / p3\nDTSTART;VALUE=DATE:20261201"))
    assert codes(program, load(program, "2026-11-25", "2026-12-10").on_call(utc("2026-12-01 12:00"))) == {"P2", "P3"}


def test_a_shift_of_somebody_without_the_role_is_found(office: Program) -> None:
    on_table(office, 1, "2026-11-25 08:00", "2026-12-25 08:00")
    with office.store.write() as conn:
        conn.execute(delete(person_roles).where(person_roles.c.person_id == 1))
    rota = load(office, "2026-11-25 09:00", "2026-12-10")
    assert rota.problems == ("person P1 has shifts, but not the role on-call; add the role or pass on the shifts",)


def test_a_file_that_vanishes_or_breaks_is_found_and_its_last_good_reading_stays(
    office: Program, tmp_path: Path, clock: Clock
) -> None:
    program = with_file(office, tmp_path, calendar(*TURNS))
    keep(program)
    clock.forward(hours=3)
    file = tmp_path / "rota.ics"
    for body in (None, b"<html>sign in</html>", calendar(*TURNS)[:-40]):
        if body is None:
            file.unlink()
        else:
            file.write_bytes(body)
        keep(program)
        rota = load(program, "2026-11-25 09:00", "2026-12-20")
        assert len(rota.problems) == 1
        assert "rota.ics" in rota.problems[0]
        assert "its last good reading, of 2026-11-25 09:00 UTC, is in use" in rota.problems[0]
        assert rota.on_call(rota.start) == {1}
        assert rota.gaps(rota.start, rota.end) == []
    with office.store.read() as conn:
        assert conn.execute(select(func.count()).select_from(rota_files)).scalar_one() == 1


def test_a_file_that_was_never_read_leaves_the_table_and_says_so(office: Program, tmp_path: Path) -> None:
    program = with_file(office, tmp_path, calendar(*TURNS))
    (tmp_path / "rota.ics").unlink()
    on_table(office, 2, "2026-11-25 08:00", "2026-11-26 08:00")
    rota = load(program, "2026-11-25 09:00", "2026-12-20")
    assert "until then only the table says who is on call" in rota.problems[0]
    assert rota.on_call(rota.start) == {2}
    assert rota.gaps(rota.start, rota.end) == [(utc("2026-11-26 08:00"), utc("2026-12-20"))]


def test_another_file_is_seen_at_once_and_kept(office: Program, tmp_path: Path) -> None:
    program = with_file(office, tmp_path, calendar(*TURNS))
    keep(program)
    assert load(program, "2026-11-25 09:00", "2026-12-20").on_call(utc("2026-11-25 09:00")) == {1}
    file = tmp_path / "rota.ics"
    file.write_bytes(calendar("SUMMARY:P3\nDTSTART;VALUE=DATE:20261101\nRRULE:FREQ=DAILY"))
    os.utime(file, (1, 1))
    keep(program)
    assert load(program, "2026-11-25 09:00", "2026-12-20").on_call(utc("2026-11-25 09:00")) == {3}
    with office.store.read() as conn:
        body = conn.execute(select(rota_files.c.body)).scalar_one()
    assert bytes(body) == file.read_bytes()


def test_an_empty_file_or_one_without_a_known_person_is_a_gap_from_now_on(office: Program, tmp_path: Path) -> None:
    rota = load(with_file(office, tmp_path, calendar()), "2026-11-25 09:00", "2026-12-05")
    assert rota.problems == ()
    assert rota.gaps(rota.start, rota.end) == [(rota.start, rota.end)]


def test_days_away_are_civil_days_of_the_person_both_included(office: Program) -> None:
    from sqlalchemy import update

    from nightround.store.tables import people

    with office.store.write() as conn:
        conn.execute(update(people).where(people.c.id == 2).values(time_zone="Pacific/Auckland"))  # UTC+13 then
    for person in (1, 2, 4):
        gone(office, person, "2026-11-28", "2026-11-29")
    with office.store.read() as conn:

        def absent(at: str) -> frozenset[int]:
            return frozenset(
                one.person_id for one in absences_between(conn, utc(at), utc(at), "America/New_York")
            )  # UTC-5 then; P1 has no zone and no site of their own

        assert absent("2026-11-27 10:59") == frozenset()
        assert absent("2026-11-27 11:00") == {2}
        assert absent("2026-11-28 00:00") == {2, 4}  # P4's first site keeps London time
        assert absent("2026-11-28 05:00") == {1, 2, 4}
        assert absent("2026-11-29 11:00") == {1, 4}
        assert absent("2026-11-30 04:59") == {1}
        assert absent("2026-11-30 05:00") == frozenset()
