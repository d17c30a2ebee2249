"""The day of an entry is the day where the unit stood at the time, however late it becomes known where that was."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Clock
from tests.register.office import Office, write

from .base import LOG, PEOPLE, UNITS, base, dates, in_it, log, strike

SITES = (
    "site | time_zone | country\nS | Europe/Paris | FR\nK | Pacific/Kiritimati | KI\nL | Europe/London | GB\n"
    "H | Pacific/Honolulu | US"
)
BATTERY = ("--part", "kind=battery", "--part", "label_date=2034-05")
NOON = "2026-11-10T12:00+00:00"  # the next day in Kiritimati alone


@pytest.fixture
def office(small_office: Office, tmp_path: Path) -> Office:
    """U stands in Paris; no part of it is on record."""
    small_office.bring(write(tmp_path / "files", sites=SITES, units=UNITS, people=PEOPLE))
    return small_office


def _opened_on(office: Office) -> list[tuple[object, ...]]:
    return office.rows("SELECT pads_bad_on, looked_on FROM evidence")


def _battery(office: Office) -> tuple[object, ...]:
    [(fitted_on,)] = office.rows("SELECT fitted_on FROM parts WHERE kind = 'battery' AND state = 'fitted'")
    return fitted_on, dates(office)["battery"][1]


def test_a_struck_move_says_nothing_of_where_the_unit_stood_before_a_later_one(office: Office) -> None:
    log(office, "check", NOON, "--reading", "pads=opened")
    wrong = log(office, "moved", "2026-11-15T10:00+00:00", "--to", "K")
    log(office, "moved", "2026-11-20T10:00+00:00", "--to", "L")
    strike(office, wrong)
    assert _opened_on(office) == [("2026-11-10", "2026-11-10")]


def test_between_two_moves_the_place_is_that_of_the_earlier_one(office: Office) -> None:
    log(office, "moved", "2026-11-05T10:00+00:00", "--to", "H")
    log(office, "check", "2026-11-10T05:00+00:00", "--reading", "pads=opened")  # the day before in Honolulu
    wrong = log(office, "moved", "2026-11-15T10:00+00:00", "--to", "K")
    log(office, "moved", "2026-11-20T10:00+00:00", "--to", "L")
    strike(office, wrong)
    assert _opened_on(office) == [("2026-11-09", "2026-11-09")]


@pytest.mark.parametrize("is_struck", [False, True])
@pytest.mark.parametrize("way", ["logged", "imported"])
def test_a_move_written_down_late_says_nothing_of_the_time_before_it(
    office: Office, tmp_path: Path, way: str, is_struck: bool
) -> None:
    log(office, "check", NOON, "--reading", "pads=opened")
    later = log(office, "moved", "2026-11-20T10:00+00:00", "--to", "K")
    if way == "logged":
        log(office, "moved", "2026-11-15T10:00+00:00", "--to", "L")
    else:
        office.bring(write(tmp_path / "more", log=LOG + "U | 2026-11-15 10:00 | moved | P | site=L | | | |"))
    if is_struck:
        strike(office, later)
    assert _opened_on(office) == [("2026-11-10", "2026-11-10")]


def test_a_move_comes_from_where_the_moves_left_the_unit(office: Office) -> None:
    """Where from is told to registers: it too is that of the log without the struck entry."""
    wrong = log(office, "moved", "2026-11-15T10:00+00:00", "--to", "K")
    log(office, "moved", "2026-11-20T10:00+00:00", "--to", "L")
    strike(office, wrong)
    [(placing,)] = office.rows("SELECT placing FROM evidence")
    assert "FR" in placing and "KI" not in placing


def test_what_tells_where_the_unit_stood_at_first_is_not_discarded(office: Office, clock: Clock) -> None:
    log(office, "check", NOON, "--reading", "pads=opened")
    later = log(office, "moved", "2026-11-20T10:00+00:00", "--to", "K")
    log(office, "moved", "2026-11-15T10:00+00:00", "--to", "L")
    strike(office, later)
    clock.forward(hours=24 * 365 * 12)
    before = office.rows("SELECT * FROM evidence")
    answer = office.run("discard", "--before", "2036-01-01", "--yes")
    assert answer.status == 0, answer.err
    assert office.rows("SELECT * FROM evidence") == before
    assert office.rows(f"SELECT discarded_at FROM log WHERE id = {later}") == [(None,)]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_move_that_comes_to_be_known_late_dates_the_part_anew(office: Office, order: tuple[int, int]) -> None:
    told = (
        lambda: log(office, "moved", "2026-11-10T10:00+00:00", "--to", "H"),
        lambda: log(office, "fitted", "2026-11-12T05:00+00:00", *BATTERY),
    )
    for place in order:
        told[place]()
    assert _battery(office) == ("2026-11-11", "2030-11-11")


def test_a_struck_move_dates_the_part_anew(office: Office) -> None:
    moved = log(office, "moved", "2026-11-10T10:00+00:00", "--to", "H")
    log(office, "fitted", "2026-11-12T05:00+00:00", *BATTERY)
    strike(office, moved)
    assert _battery(office) == ("2026-11-12", "2030-11-12")


@pytest.mark.parametrize("part", [("lot=X",), ("lot=X", "label_date=2031-05")])
def test_a_spare_that_was_fitted_is_dated_anew_too(small_office: Office, tmp_path: Path, part: tuple[str, ...]) -> None:
    files = base(small_office, tmp_path / "files")
    heading = "unit | kind | state | label_date | fitted_on | lot\n"
    small_office.bring(write(files, parts=heading + "U | battery | spare | 2031-06 | | X", sites=SITES))
    details = [text for one in ("kind=battery", *part) for text in ("--part", one)]
    log(small_office, "fitted", "2026-11-12T05:00+00:00", *details)
    moved = log(small_office, "moved", "2026-11-10T10:00+00:00", "--to", "H")
    assert [row[5] for row in in_it(small_office) if row[0] == "battery"] == ["2026-11-11"]
    strike(small_office, moved)
    assert [row[5] for row in in_it(small_office) if row[0] == "battery"] == ["2026-11-12"]


def test_a_label_corrected_by_a_file_stays_when_the_part_is_dated_anew(office: Office, tmp_path: Path) -> None:
    log(office, "fitted", "2026-11-12T05:00+00:00", *BATTERY, "--part", "lot=B7")
    corrected = "unit | kind | state | label_date | fitted_on | lot\nU | battery | fitted | 2029-04 | 2026-11-12 | B7"
    office.bring(write(tmp_path / "more", parts=corrected))
    log(office, "moved", "2026-11-10T10:00+00:00", "--to", "H")
    assert _battery(office) == ("2026-11-11", "2029-04-30")


USE_KINDS = ("restore", "crew-note", "download", "pads-adult")


def test_a_use_keeps_one_day_when_the_unit_moves_over_the_date_line(office: Office, clock: Clock) -> None:
    clock.forward(hours=48)
    log(office, "moved", "2026-11-01T10:00+00:00", "--to", "K")
    log(office, "fitted", "2026-11-02T10:00+00:00", "--part", "kind=pads-adult", "--part", "label_date=2029-03")
    shown = ("--reading", "mode=adult", "--reading", "shocks=1")
    log(office, "used", "2026-11-27T01:10+14:00", *shown)
    for _ in range(2):
        rows = office.rows("SELECT kind, last_good_day, because FROM duties")
        assert {day for kind, day, _ in rows if kind in USE_KINDS} == {"2026-11-27"}
        assert not [because for kind, _, because in rows if kind in USE_KINDS and "2026-11-26" in because]
        if office.rows("SELECT site FROM units JOIN sites ON sites.id = units.site_id") == [("K",)]:
            log(office, "moved", "2026-11-27T02:00+14:00", "--to", "H")
    assert {one for (one,) in office.rows("SELECT standing FROM duties WHERE kind = 'restore'")} == {"open"}


def test_the_crew_note_tells_the_time_of_the_place_of_the_use(office: Office, clock: Clock) -> None:
    clock.forward(hours=48)
    log(office, "moved", "2026-11-01T10:00+00:00", "--to", "K")
    log(office, "moved", "2026-11-27T02:00+14:00", "--to", "H")
    used = ("log", "U", "used", "--at", "2026-11-27T01:10+14:00", "--by", "P")
    answer = office.say(*used, "--cpr-minutes", "3", "--shocks", "1", "--adult")
    assert "Used: 2026-11-27 01:10 (Pacific/Kiritimati)" in answer.out, answer.err


def test_a_use_of_which_all_is_reported_keeps_its_day_until_the_unit_is_restored(office: Office, clock: Clock) -> None:
    clock.forward(hours=48)
    log(office, "moved", "2026-11-01T10:00+00:00", "--to", "K")
    log(office, "used", "2026-11-27T01:10+14:00", "--reading", "shocks=1")
    log(office, "reported", "2026-11-27T01:20+14:00")
    log(office, "reported", "2026-11-27T01:21+14:00", "--reading", "about=crew")
    log(office, "downloaded", "2026-11-27T01:30+14:00")
    log(office, "fitted", "2026-11-27T01:40+14:00", *BATTERY)
    log(office, "moved", "2026-11-27T02:00+14:00", "--to", "H")
    assert office.rows("SELECT last_good_day FROM duties WHERE kind = 'restore'") == [("2026-11-27",)]
