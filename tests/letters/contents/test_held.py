"""What the limits of an hour hold back is shown: how much, since when, until when, and to whoever may know."""

from __future__ import annotations

import json
from datetime import datetime

import pytest
from click.testing import CliRunner

from nightround.bootstrap import Program
from nightround.cli import cli
from nightround.commands import desk
from nightround.letters import telling
from nightround.letters.held import HeldBack, Waiting, held_back
from nightround.settings_cases import Cases
from nightround.store.tables import cases, sites

from ...conftest import Clock
from .build import Fleet, at, flat
from .test_ladder_letters import close, late, staffed, sweep

__all__ = ["staffed"]  # a fixture


def say(instant: datetime) -> str:
    return f"{instant:%d %H:%M}"


def look(fleet: Fleet, *sites_: str) -> HeldBack | None:
    seen = sites.c.site.in_(sites_) if sites_ else None
    with fleet.program.store.read() as conn:
        return held_back(conn, fleet.program.settings, fleet.program.clock(), seen)


def limited(fleet: Fleet, **limits: int) -> Fleet:
    settings = fleet.program.settings.model_copy(update={"cases": Cases(**limits)})  # type: ignore[arg-type]
    other = Fleet(Program(settings, fleet.program.store, fleet.program.clock))
    other.know(fleet)
    return other


def test_what_a_mailbox_gets_later_is_counted_from_when_it_was_owed_to_when_there_is_room(
    staffed: Fleet, clock: Clock
) -> None:
    fleet = limited(staffed, person_hour=3)
    clock.now = at(10)
    for number in range(5):
        late(fleet, f"U{number}")
        sweep(fleet)
        clock.forward(minutes=2)
    found = look(fleet)
    # The first letter went at 10:00, so that one more may go from 11:00 on; U3 came at 10:06.
    waiting = Waiting("ON", "Person ON", 2, at(10, 6), at(11), "person_hour")
    assert found == HeldBack(1, 2, at(10, 6), at(11), {"person_hour": 3}, (waiting,))
    assert found.line(say, named=True) == (
        "Held back: 1 letter about 2 cases, to Person ON, since 25 10:06, because 3 within an hour are the limit of a "
        "mailbox (cases.person_hour); there is room again at 25 11:00"
    )
    clock.now = at(11)
    assert sweep(fleet) == ["ON"]
    assert look(fleet) is None


def test_what_waits_for_the_whole_fleet_names_the_limit_and_the_first_room(staffed: Fleet, clock: Clock) -> None:
    fleet = limited(staffed, fleet_hour=4)
    clock.now = at(10)
    for number in range(8):
        fleet.site(f"S{number}")
        fleet.person(f"P{number}", "on-call", [f"S{number}"])
        late(fleet, f"U{number}", f"S{number}")
    assert look(fleet) is None, "nothing has gone within the hour: nothing is held before the service looks round"
    assert sweep(fleet) == ["P0", "P1", "P2", "CO"]
    clock.forward(minutes=5)
    found = look(fleet)
    assert found is not None
    assert (found.letters, found.cases, found.since, found.room_at) == (5, 5, at(10), at(11))
    assert found.line(say, named=True) == (
        "Held back: 5 letters about 5 cases, to Person P3, Person P4, Person P5 and 2 more, since 25 10:00, because 4 "
        "within an hour are the limit of the fleet (cases.fleet_hour); there is room for the first again at 25 11:00"
    )
    mine = look(fleet, "S6")
    assert mine is not None
    assert [one.person for one in mine.people] == ["P6"]
    assert (mine.letters, mine.cases) == (1, 1)
    assert look(fleet, "S1") is None, "P1 was told"


def test_after_an_hour_what_is_still_held_is_so_since_the_first_hour(staffed: Fleet, clock: Clock) -> None:
    fleet = limited(staffed, fleet_hour=3)
    clock.now = at(10)
    for number in range(6):
        fleet.site(f"S{number}")
        fleet.person(f"P{number}", "on-call", [f"S{number}"])
        late(fleet, f"U{number}", f"S{number}")
    sweep(fleet)
    clock.now = at(11)
    sweep(fleet)
    found = look(fleet)
    assert found is not None
    assert ([one.person for one in found.people], found.since, found.room_at) == (["P4", "P5"], at(10), at(12))


def test_both_limits_are_named_where_both_hold_and_the_word_that_a_case_is_closed_goes_apart(
    staffed: Fleet, clock: Clock
) -> None:
    fleet = limited(staffed, person_hour=3, fleet_hour=5)
    clock.now = at(10)
    first = late(fleet, "U0")
    sweep(fleet)
    for number in range(1, 4):
        clock.forward(minutes=1)
        late(fleet, f"U{number}")
        sweep(fleet)
    clock.now = at(10, 20)
    close(fleet, first)
    for number in range(3):
        fleet.site(f"S{number}")
        fleet.person(f"P{number}", "on-call", [f"S{number}"])
        late(fleet, f"V{number}", f"S{number}")
    assert sweep(fleet) == ["P0", "CO", "ON"]
    assert fleet.mail()[-1].kind == "closing"
    found = look(fleet)
    assert found is not None
    assert found.limits == {"person_hour": 3, "fleet_hour": 5}
    assert {(one.person, one.cases, one.since, one.limit) for one in found.people} == {
        ("ON", 1, at(10, 3), "person_hour"),
        ("P1", 1, at(10, 20), "fleet_hour"),
        ("P2", 1, at(10, 20), "fleet_hour"),
    }
    said = found.line(say, named=True)
    assert "a mailbox (cases.person_hour) and 5 within an hour are the limit of the fleet (cases.fleet_hour)" in said


def test_quiet_hours_are_no_limit_and_end_before_anything_is_held(staffed: Fleet, clock: Clock) -> None:
    """What is merely overdue waits for seven in the morning by itself; held it is only where there is no room then."""
    fleet = limited(staffed, person_hour=2)
    clock.now = at(6, 30)
    for number in range(2):
        late(fleet, f"U{number}")
        assert sweep(fleet) == []
        assert look(fleet) is None
    for minute, told in ((0, ["ON"]), (1, ["ON"]), (2, [])):
        clock.now = at(7, minute)
        assert sweep(fleet) == told
        late(fleet, f"V{minute}")
    clock.now = at(7, 10)
    assert sweep(fleet) == []
    found = look(fleet)
    assert found is not None
    assert (found.since, found.room_at, found.cases) == (at(7, 2), at(8), 2)
    clock.now = at(8)
    assert sweep(fleet) == ["ON"]


def test_looking_changes_nothing(staffed: Fleet, clock: Clock) -> None:
    fleet = limited(staffed, person_hour=2)
    clock.now = at(10)
    for number in range(3):
        late(fleet, f"U{number}")
        sweep(fleet)
    before = fleet.told()
    found = look(fleet)
    assert found is not None
    assert look(fleet) == found
    assert fleet.told() == before
    assert telling.tell(fleet.program, clock.now).letters == 0


def test_a_matter_of_no_site_is_not_seen_by_who_sees_sites_only(staffed: Fleet, clock: Clock) -> None:
    fleet = limited(staffed, person_hour=2)
    clock.now = at(10)
    for number in range(2):
        late(fleet, f"U{number}")
        sweep(fleet)
    late(fleet, "U9")
    with fleet.program.store.write() as conn:
        conn.execute(cases.update().where(cases.c.unit_id == fleet.units["U9"]).values(site_id=None))
    sweep(fleet)
    assert look(fleet, "MILL") is None


def test_today_says_it_in_the_table_and_for_programs(
    staffed: Fleet, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = limited(staffed, person_hour=2)
    monkeypatch.setattr(desk.Desk, "program", fleet.program)
    monkeypatch.setattr(desk.Desk, "settings", fleet.program.settings)
    clock.now = at(10)
    for number in range(3):
        if number == 2:
            assert "Held back" not in today()
            assert json.loads(today("--json"))["held_back"] is None
        late(fleet, f"U{number}")
        sweep(fleet)
    assert (
        "Held back: 1 letter about 1 case, to Person ON, since 2026-11-25 10:00 UTC, because 2 within an hour are the "
        "limit of a mailbox (cases.person_hour); there is room again at 2026-11-25 11:00 UTC."
    ) in flat(today())
    times = {"since": "2026-11-25T10:00:00+00:00", "room_at": "2026-11-25T11:00:00+00:00"}
    assert json.loads(today("--json"))["held_back"] == {
        "letters": 1,
        "cases": 1,
        "limits": {"person_hour": 2},
        "people": [{"person": "ON", "called": "Person ON", "cases": 1, "limit": "person_hour", **times}],
        **times,
    }


def today(*options: str) -> str:
    return CliRunner().invoke(cli, [*options, "today"], catch_exceptions=False, standalone_mode=False).stdout
