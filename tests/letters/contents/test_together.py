"""Several at once, and things that go wrong half-way: every letter once, none lost, the others not kept back."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.letters import nights, telling, weekly
from nightround.letters.audience import readers
from nightround.letters.errands import plan
from nightround.letters.situation import Reckoned, Stored
from nightround.rounds.rulebook import load
from nightround.rounds.tonight import run_owed
from nightround.store.database import open_store
from nightround.store.tables import cases, parts, units
from nightround.sweeping import letters

from .build import Fleet, at, day
from .test_opening import came_in
from .test_telling import two_cases
from .test_weekly_owed import with_letters


@pytest.mark.parametrize("act", [telling.sweep, weekly.post_owed])
def test_two_nodes_at_once_store_each_letter_once(
    fleet: Fleet, database_url: str, act: Callable[[Program, object], int]
) -> None:
    two_cases(fleet)
    for number in range(6):
        fleet.person(f"P{number}", "on-call manager", whole=True)
    start = threading.Barrier(2)
    stored: list[int] = []

    def node() -> None:
        store = open_store(database_url)
        here = Program(fleet.program.settings, store, fleet.program.clock)
        start.wait()
        stored.append(act(here, here.clock()))
        store.close()

    threads = [threading.Thread(target=node) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    keys = [mail.key for mail in fleet.mail()]
    assert len(keys) == len(set(keys)) == sum(stored)
    assert len(keys) == (7 if act is telling.sweep else 6)


def test_a_broken_escalation_does_not_keep_back_the_weekly_letter(
    sqlite_fleet: Fleet, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "escalation.txt").write_text("{{ no_such_name }}", "utf-8")
    fleet = with_letters(two_cases(sqlite_fleet), templates=tmp_path / "own")
    fleet.person("CO", "coordinator", whole=True)
    with pytest.raises(UserError, match="no_such_name"):
        letters(fleet.program)
    assert [mail.kind for mail in fleet.mail()] == ["weekly"]
    assert "not told" in caplog.text
    (tmp_path / "own" / "escalation.txt").unlink()
    assert letters(fleet.program) == 1


def test_an_opening_letter_whose_cases_were_all_closed_meanwhile_is_not_written(sqlite_fleet: Fleet) -> None:
    fleet = came_in(sqlite_fleet)
    now = fleet.program.clock()
    with fleet.program.store.read() as conn:
        made = plan(conn, fleet.program.settings, now)
    with fleet.program.store.write() as conn:
        conn.execute(update(cases).values(closed_at=now))
    with fleet.program.store.read() as conn:
        for errand in made.openings:
            assert telling.letter_of(conn, fleet.program.settings, "opening", errand, {}, now) is None


def test_a_letter_whose_key_is_there_already_tells_nobody(sqlite_fleet: Fleet) -> None:
    fleet = two_cases(sqlite_fleet)
    now = fleet.program.clock()
    with fleet.program.store.read() as conn:
        errand = plan(conn, fleet.program.settings, now).escalations[0]
        found = telling.letter_of(conn, fleet.program.settings, "escalation", errand, {}, now)
    assert found is not None
    assert [telling._store(fleet.program, errand, *found), telling._store(fleet.program, errand, *found)] == [
        True,
        False,
    ]


def test_a_letter_of_another_day_is_reckoned_from_facts_with_spares_and_all(fleet: Fleet) -> None:
    from tests.rounds.night.build import add_site, add_unit

    with fleet.program.store.write() as conn:
        site = add_site(conn, "MILL", "Europe/London")
        add_unit(conn, "M1", site)
        broken = add_unit(conn, "M2", site)
        spare = {"site_id": site, "kind": "battery", "state": "spare", "label_date": "2026-12-01"}
        conn.execute(parts.insert().values(last_good_day=day(6), **spare))
        # A day so late that no rule can count on from it: the round sets such a unit aside.
        conn.execute(update(units).where(units.c.id == broken).values(in_service_on=date.max))
        conn.execute(parts.update().where(parts.c.unit_id == broken).values(last_good_day=date.max))
        from nightround.store.tables import evidence

        conn.execute(update(evidence).where(evidence.c.unit_id == broken).values(looked_on=date.max))
    fleet.sites["MILL"] = site
    fleet.person("MA", "manager", ["MILL"])
    run_owed(fleet.program)
    book = load(fleet.program.settings)
    with fleet.program.store.read() as conn:
        (reader,) = readers(conn, fleet.program.settings, ("manager",), at=fleet.program.clock())
        later = Reckoned(conn, book, reader.sites(), day(10), fleet.program.settings)
        assert [(unit.where.unit, unit.condition) for unit in later.units()] == [
            ("M1", "in service"),
            ("M2", "not reckoned yet"),
        ]
        spares = [duty for duty in later.duties() if not duty.where.unit]
        assert [(duty.standing, duty.days_over, duty.where.title) for duty in spares] == [
            ("overdue", 4, "spare parts, Site MILL")
        ]
        now = [duty for duty in Stored(conn, reader.sites(), fleet.program.clock()).duties() if not duty.where.unit]
        assert [duty.standing for duty in now] == ["order now"]


def test_many_zones_are_named_up_to_a_number(sqlite_fleet: Fleet) -> None:
    zones = ("Europe/London", "Europe/Paris", "Europe/Berlin", "Asia/Tokyo", "Asia/Seoul", "America/Chicago",
             "America/New_York", "Australia/Adelaide")  # fmt: skip
    for number, zone in enumerate(zones):
        sqlite_fleet.site(f"S{number}", zone)
        sqlite_fleet.unit(f"U{number}", f"S{number}")
        sqlite_fleet.round_done(zone, number + 1)
    sqlite_fleet.person("A", "coordinator", whole=True)
    with sqlite_fleet.program.store.read() as conn:
        (reader,) = readers(conn, sqlite_fleet.program.settings, ("coordinator",), at=sqlite_fleet.program.clock())
        found = nights.nights(conn, reader.sites(), sqlite_fleet.program.clock())
    assert found.late == ()
    assert len(found.lines) == nights.SHOWN + 1
    assert found.lines[0].startswith("Australia/Adelaide: ")
    assert found.lines[-1] == "and 2 more time zones"
    assert found.short == "last rounds, the oldest 11:30 on Wed 25 Nov 2026 (Australia/Adelaide)"


def test_whoever_moves_to_another_zone_is_not_told_twice_within_the_hour(sqlite_fleet: Fleet) -> None:
    from nightround.store.tables import people

    fleet = two_cases(sqlite_fleet)
    clock = fleet.program.clock
    assert telling.sweep(fleet.program, clock()) == 1
    with fleet.program.store.write() as conn:
        conn.execute(update(people).values(time_zone="America/New_York"))
    assert telling.sweep(fleet.program, clock() + timedelta(minutes=1)) == 0
    assert telling.sweep(fleet.program, at(12, 0, days=1)) == 1
