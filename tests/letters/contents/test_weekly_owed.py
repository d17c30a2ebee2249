"""Who is owed a weekly letter and when: one a person and ISO week, whenever the service comes to it."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from nightround.errors import UserError
from nightround.letters import weekly
from nightround.store.tables import messages, people

from ...conftest import Clock
from .build import Fleet, at


def small(fleet: Fleet) -> Fleet:
    fleet.site("MILL")
    fleet.unit("MILL-01", "MILL")
    return fleet


def post(fleet: Fleet, on: date | None = None) -> int:
    return weekly.post_owed(fleet.program, fleet.program.clock(), on=on)


def keys(fleet: Fleet) -> list[str]:
    return [mail.key for mail in fleet.mail()]


def test_managers_and_coordinators_get_it_and_nobody_else(fleet: Fleet) -> None:
    small(fleet)
    for code, role in (("A", "coordinator"), ("B", "manager"), ("C", "on-call"), ("D", "site-contact")):
        fleet.person(code, role, ["MILL"])
    fleet.person("E", "manager coordinator on-call", ["MILL"])
    assert post(fleet) == 3
    assert keys(fleet) == ["weekly/A/2026-W48", "weekly/B/2026-W48", "weekly/E/2026-W48"]


def test_it_is_stored_once_however_often_anybody_looks(fleet: Fleet, clock: Clock) -> None:
    small(fleet).person("A", "manager", ["MILL"])
    assert [post(fleet), post(fleet)] == [1, 0]
    clock.forward(days=4)
    assert post(fleet) == 0
    assert len(fleet.mail()) == 1


@pytest.mark.parametrize(
    ("now", "owed"),
    [
        (datetime(2026, 11, 23, 6, 59, tzinfo=UTC), []),
        (datetime(2026, 11, 23, 7, 0, tzinfo=UTC), ["weekly/A/2026-W48"]),
        (datetime(2026, 11, 29, 23, 0, tzinfo=UTC), ["weekly/A/2026-W48"]),
        (datetime(2026, 11, 30, 6, 0, tzinfo=UTC), []),
        (datetime(2026, 11, 30, 7, 0, tzinfo=UTC), ["weekly/A/2026-W49"]),
    ],
)
def test_it_is_owed_from_its_hour_to_the_end_of_its_week(
    sqlite_fleet: Fleet, clock: Clock, now: datetime, owed: list[str]
) -> None:
    small(sqlite_fleet).person("A", "manager", ["MILL"])
    clock.now = now
    post(sqlite_fleet)
    assert keys(sqlite_fleet) == owed


@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("America/Los_Angeles", datetime(2026, 11, 23, 15, 0, tzinfo=UTC)),
        ("Asia/Tokyo", datetime(2026, 11, 22, 22, 0, tzinfo=UTC)),
        # Lord Howe is at UTC+11 in November (published-facts §6: its clock moves by half an hour).
        ("Australia/Lord_Howe", datetime(2026, 11, 22, 20, 0, tzinfo=UTC)),
    ],
)
def test_its_hour_is_that_of_the_readers_zone(sqlite_fleet: Fleet, clock: Clock, zone: str, first: datetime) -> None:
    small(sqlite_fleet).person("A", "manager", ["MILL"], time_zone=zone)
    clock.now = first
    clock.forward(minutes=-1)
    assert post(sqlite_fleet) == 0
    clock.now = first
    assert post(sqlite_fleet) == 1


def test_without_a_zone_of_their_own_it_is_that_of_their_first_site_else_the_fleets(sqlite_fleet: Fleet) -> None:
    sqlite_fleet.site("TOKY", "Asia/Tokyo")
    sqlite_fleet.site("NEWY", "America/New_York")
    sqlite_fleet.person("A", "manager", ["NEWY", "TOKY"])
    sqlite_fleet.person("B", "manager", whole=True)
    sqlite_fleet.person("C", "manager", ["NEWY"], time_zone="Atlantis/Gone")
    with sqlite_fleet.program.store.read() as conn:
        found = weekly.readers(
            conn, sqlite_fleet.program.settings, weekly.WEEKLY_ROLES, at=sqlite_fleet.program.clock()
        )
    assert [(reader.person, reader.zone) for reader in found] == [
        ("A", "Asia/Tokyo"),
        ("B", "UTC"),
        ("C", "America/New_York"),
    ]


def with_letters(fleet: Fleet, **values: object) -> Fleet:
    letters = fleet.program.settings.letters.model_copy(update=values)
    settings = fleet.program.settings.model_copy(update={"letters": letters})
    found = Fleet(type(fleet.program)(settings, fleet.program.store, fleet.program.clock))
    found.know(fleet)
    return found


@pytest.mark.parametrize(
    ("sunday", "first"),
    [
        # Berlin 2027-03-28: 02:30 does not exist; the letter is owed when the clock has passed it (01:30 UTC).
        (date(2027, 3, 28), datetime(2027, 3, 28, 1, 30, tzinfo=UTC)),
        # Berlin 2027-10-31: 02:30 happens twice; the first counts (00:30 UTC).
        (date(2027, 10, 31), datetime(2027, 10, 31, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_skipped_or_repeated_hour_gives_one_letter(
    sqlite_fleet: Fleet, clock: Clock, sunday: date, first: datetime
) -> None:
    fleet = with_letters(small(sqlite_fleet), weekday=7, at=time(2, 30))
    fleet.person("A", "manager", ["MILL"], time_zone="Europe/Berlin")
    clock.now = first - timedelta(minutes=1)
    assert post(fleet) == 0
    clock.now = first
    assert post(fleet) == 1
    clock.forward(hours=1)
    assert post(fleet) == 0
    assert keys(fleet) == [f"weekly/A/{weekly.iso_week(sunday)}"]


def test_a_service_that_was_down_over_the_end_of_the_week_makes_up_for_it(sqlite_fleet: Fleet, clock: Clock) -> None:
    fleet = with_letters(small(sqlite_fleet), weekday=5)
    fleet.person("A", "manager", ["MILL"])
    clock.now = datetime(2026, 11, 20, 8, tzinfo=UTC)
    assert post(fleet) == 1
    clock.now = datetime(2026, 11, 30, 8, tzinfo=UTC)  # down from Thursday to Monday
    assert post(fleet) == 1
    clock.now = datetime(2026, 12, 4, 8, tzinfo=UTC)
    assert post(fleet) == 1
    assert keys(fleet) == ["weekly/A/2026-W47", "weekly/A/2026-W48", "weekly/A/2026-W49"]


def test_nobodys_first_letter_is_that_of_a_week_that_is_over(sqlite_fleet: Fleet, clock: Clock) -> None:
    fleet = with_letters(small(sqlite_fleet), weekday=5)
    fleet.person("A", "manager", ["MILL"])
    clock.now = datetime(2026, 11, 24, 8, tzinfo=UTC)
    assert post(fleet) == 0


@pytest.mark.parametrize(
    ("on", "owed"),
    [
        (date(2026, 11, 30), ["weekly/A/2026-W49"]),
        (date(2027, 1, 3), ["weekly/A/2026-W53"]),
        (date(2027, 1, 4), ["weekly/A/2027-W01"]),
    ],
)
def test_a_civil_date_decides_where_one_is_given(sqlite_fleet: Fleet, on: date, owed: list[str]) -> None:
    small(sqlite_fleet).person("A", "manager", ["MILL"])
    post(sqlite_fleet, on)
    assert keys(sqlite_fleet) == owed


def test_a_civil_date_before_the_letters_weekday_owes_none(sqlite_fleet: Fleet) -> None:
    fleet = with_letters(small(sqlite_fleet), weekday=4)
    fleet.person("A", "manager", ["MILL"])
    assert [post(fleet, date(2026, 11, 25)), post(fleet, date(2026, 11, 26))] == [0, 1]


def test_whoever_stopped_the_letter_gets_none(fleet: Fleet) -> None:
    small(fleet).person("A", "manager", ["MILL"], letters_off=True)
    assert post(fleet) == 0


@pytest.mark.parametrize("email", ["", "  ", "no address", "a@b@example.org"])
def test_whoever_has_no_usable_address_is_a_finding_and_stops_nobody_elses(sqlite_fleet: Fleet, email: str) -> None:
    small(sqlite_fleet).person("A", "manager", ["MILL"], email=email)
    sqlite_fleet.person("B", "manager", ["MILL"])
    posted = weekly.post(sqlite_fleet.program, at(9))
    assert (posted.letters, len(posted.findings)) == (1, 1)
    assert posted.findings[0].startswith("person A (manager) gets no letter: ")


def test_an_address_that_comes_later_still_gets_the_weeks_letter(fleet: Fleet) -> None:
    small(fleet).person("A", "manager", ["MILL"], email="")
    assert post(fleet) == 0
    with fleet.program.store.write() as conn:
        conn.execute(update(people).values(email="a@example.org"))
    assert post(fleet) == 1


def test_the_letter_box_holds_what_a_mail_program_needs(fleet: Fleet) -> None:
    small(fleet).person("A", "manager", ["MILL"])
    post(fleet)
    (mail,) = fleet.mail()
    assert mail.message["List-Unsubscribe"].startswith("<http")
    assert mail.message["Auto-Submitted"] == "auto-generated"
    assert not mail.urgent
    assert "References" not in mail.message


def test_a_letter_given_up_is_not_the_last_one_that_was_read(fleet: Fleet, clock: Clock) -> None:
    small(fleet).person("A", "manager", ["MILL"])
    post(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(messages).values(state="given up"))
    clock.forward(days=7)
    post(fleet)
    assert "first of these letters" in fleet.mail()[-1].text


def test_a_broken_template_keeps_back_only_its_own_kind_and_says_so(
    sqlite_fleet: Fleet, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "weekly.txt").write_text("{{ no_such_name }}", encoding="utf-8")
    fleet = with_letters(small(sqlite_fleet), templates=own)
    fleet.person("A", "manager", ["MILL"])
    with pytest.raises(UserError, match="no_such_name"):
        post(fleet)
    assert fleet.mail() == []
    assert "weekly letter not made" in caplog.text
    (own / "weekly.txt").unlink()
    assert post(fleet) == 1
