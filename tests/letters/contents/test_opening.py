"""The opening letter: what was already wrong when units came in goes once, in one letter, never as a flood."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import update

from nightround.letters import opening, telling
from nightround.rounds.rulebook import load
from nightround.rounds.tonight import run_owed
from nightround.store.tables import people

from ...conftest import Clock
from .build import Fleet, at, day, flat


def sweep(fleet: Fleet, on: date | None = None) -> int:
    return telling.sweep(fleet.program, fleet.program.clock(), on=on)


def keys(fleet: Fleet) -> list[str]:
    return [mail.key for mail in fleet.mail()]


@pytest.fixture
def imported(fleet: Fleet) -> Fleet:
    """A coordinator, a manager of one of two sites, one on call, and a case of each kind found on import."""
    return came_in(fleet)


def came_in(fleet: Fleet) -> Fleet:
    fleet.site("MILL", name="Mill Lane School")
    fleet.site("POOL", name="Harbour Pool")
    fleet.unit("M1", "MILL", "work due")
    fleet.unit("P1", "POOL", "not to be relied on", "fault since 2026-11-24")
    fleet.person("CO", "coordinator", whole=True)
    fleet.person("MA", "manager", ["POOL"])
    fleet.person("ON", "on-call", whole=True)
    fleet.duty("M1", "look", "overdue", day(-14))
    fleet.case("M1", good=day(-14), imported=True)
    fleet.case("P1", "not-to-be-relied-on", reason="fault since 2026-11-24", imported=True)
    fleet.round_done()
    return fleet


def test_coordinator_manager_and_on_call_get_one_each_and_no_escalation(imported: Fleet) -> None:
    assert [sweep(imported), sweep(imported)] == [3, 0]
    assert keys(imported) == ["opening/CO/2026-11-25/1", "opening/MA/2026-11-25/2", "opening/ON/2026-11-25/1"]
    assert imported.told() == {
        ("CO", 1, "0.0.0"),
        ("CO", 2, "0.0.0"),
        ("MA", 2, "0.0.0"),
        ("ON", 1, "0.0.0"),
        ("ON", 2, "0.0.0"),
    }


def test_it_counts_by_kind_and_site_and_names_the_worst(imported: Fleet) -> None:
    sweep(imported)
    mail = imported.mail()[0]
    assert mail.subject == "Found when units came in: 1 unit not to be relied on, 1 overdue – Test fleet"
    text = flat(mail.text)
    assert "2 matters were already open: 1 unit not to be relied on and 1 with overdue work." in text
    assert "1 look at the unit" in text
    assert "1 Harbour Pool 1 Mill Lane School" in text
    assert text.index("NOT TO BE RELIED ON: P1") < text.index("14 DAYS OVERDUE: M1")
    assert "Because: Someone looks at each unit once a month (common practice) [1]" in text
    assert "Who else knows: Person MA and Person ON." in text
    assert "You get this once, as coordinator for these sites." in text
    assert "List-Unsubscribe" not in mail.message


def test_from_the_next_day_on_it_is_an_ordinary_escalation_to_who_is_on_call(imported: Fleet, clock: Clock) -> None:
    sweep(imported)
    # A day later at the earliest, and with the letter of the day.
    clock.now = at(6, 59, days=2)
    assert sweep(imported) == 0
    clock.now = at(7, days=2)
    assert [sweep(imported), sweep(imported)] == [1, 0]
    mail = imported.mail()[-1]
    assert mail.key == "escalation/ON/2026-11-27/1"
    assert mail.subject.startswith("Still open: 1 unit not to be relied on, 1 overdue")
    assert mail.message["References"] == imported.mail()[2].message["Message-ID"]
    clock.now = at(7, days=3)
    assert sweep(imported) == 1


def test_what_is_fresh_goes_apart_two_letters_at_most(imported: Fleet) -> None:
    imported.unit("M2", "MILL", "work due")
    imported.case("M2")
    assert sweep(imported) == 4
    assert keys(imported) == [
        "escalation/ON/2026-11-25/3",
        "opening/CO/2026-11-25/1",
        "opening/MA/2026-11-25/2",
        "opening/ON/2026-11-25/1",
    ]


def test_units_that_come_in_later_have_an_opening_of_their_own(imported: Fleet, clock: Clock) -> None:
    sweep(imported)
    clock.now = at(12)
    imported.unit("M2", "MILL", "work due")
    imported.case("M2", imported=True)
    assert sweep(imported) == 2
    assert keys(imported)[3:] == ["opening/CO/2026-11-25/3", "opening/ON/2026-11-25/3"]


def test_without_anybody_on_call_the_coordinator_gets_it_once(fleet: Fleet) -> None:
    came_in(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "ON").values(email=""))
    assert [sweep(fleet), sweep(fleet)] == [2, 0]
    assert keys(fleet) == ["opening/CO/2026-11-25/1", "opening/MA/2026-11-25/2"]


def test_whoever_gets_an_address_within_two_days_gets_it_still(fleet: Fleet, clock: Clock) -> None:
    came_in(fleet)
    with fleet.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "MA").values(email=""))
    assert sweep(fleet) == 2
    with fleet.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "MA").values(email="ma@example.org"))
    clock.forward(hours=2)
    assert sweep(fleet) == 1
    assert keys(fleet)[-1] == "opening/MA/2026-11-25/2"


def test_a_manager_who_comes_a_year_later_gets_no_opening_letter(fleet: Fleet, clock: Clock) -> None:
    came_in(fleet)
    sweep(fleet)
    clock.forward(days=365)
    fleet.person("NEW", "manager", whole=True)
    sweep(fleet)
    assert [key for key in keys(fleet) if "NEW" in key] == []


def test_what_was_escalated_once_is_never_an_opening_again(fleet: Fleet, clock: Clock) -> None:
    came_in(fleet)
    sweep(fleet)
    clock.now = at(8, days=1)
    sweep(fleet)
    fleet.person("OTHER", "on-call", whole=True)
    assert sweep(fleet) == 1
    assert keys(fleet)[-1] == "escalation/OTHER/2026-11-26/1"


def test_a_killed_sweep_gives_the_rest_their_opening_letters(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    came_in(fleet)
    real = telling._store
    given: list[str] = []

    def dies(*args: object) -> bool:
        if given:
            raise KeyboardInterrupt
        given.append("one")
        return real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(telling, "_store", dies)
    with pytest.raises(KeyboardInterrupt):
        sweep(fleet)
    monkeypatch.setattr(telling, "_store", real)
    assert sweep(fleet) == 2
    assert sorted(keys(fleet)) == ["opening/CO/2026-11-25/1", "opening/MA/2026-11-25/2", "opening/ON/2026-11-25/1"]


def test_five_hundred_overdue_units_are_one_letter_a_person(fleet: Fleet, clock: Clock) -> None:
    with fleet.at_once():
        for number in range(20):
            fleet.site(f"S{number:02}", name=f"Place {number:02}")
        for number in range(500):
            fleet.unit(f"U{number:03}", f"S{number % 20:02}", "")
            fleet.case(f"U{number:03}", good=day(-1 - number), imported=True)
        fleet.person("CO", "coordinator manager", whole=True)
        fleet.person("ON", "on-call", whole=True)
    assert [sweep(fleet), sweep(fleet)] == [2, 0]
    mail = fleet.mail()[0]
    assert mail.subject == "Found when units came in: 500 overdue – Test fleet"
    text = flat(mail.text)
    assert "500 look at the unit" in text
    assert "25 Place 00" in text
    base = fleet.program.settings.web.base_url
    assert f"125 more at 5 more sites: {base}/cases" in text
    assert f"and {500 - opening.SHOWN} more: {base}/cases" in text
    assert len(mail.html.encode()) < 100_000
    assert len(fleet.told()) == 1000
    clock.now = at(7, days=2)
    assert [sweep(fleet), sweep(fleet)] == [1, 0]
    assert fleet.mail()[-1].subject.startswith("Still open: 500 overdue")


def test_a_real_first_round_leads_to_opening_letters_and_a_second_to_none(fleet: Fleet) -> None:
    from tests.rounds.night.build import small_fleet

    small_fleet(fleet.program.store)
    fleet.person("CO", "coordinator", whole=True)
    fleet.person("ON", "on-call", whole=True)
    book = load(fleet.program.settings)
    run_owed(fleet.program, book)
    assert sweep(fleet) == 2
    assert all(mail.kind == "opening" for mail in fleet.mail())
    run_owed(fleet.program, book)
    assert sweep(fleet) == 0
