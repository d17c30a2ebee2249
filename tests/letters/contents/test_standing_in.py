"""Above the limit of the fleet one letter stands for the rest: to whom it goes where nobody has the whole fleet."""

from __future__ import annotations

from datetime import timedelta
from email.message import EmailMessage

import pytest
from sqlalchemy import insert, update

from nightround.letters import telling
from nightround.store.tables import absences, messages, people

from ...conftest import Clock
from .build import Fleet, at, flat
from .test_held import limited
from .test_ladder_letters import fault, late, sweep


@pytest.fixture
def parted(shipped: Fleet, clock: Clock) -> Fleet:
    """Nine sites with somebody on call at each; WEST has the first six as coordinator, EAST the last three. Five
    letters an hour are the limit of the fleet, and it is ten in the morning."""
    clock.now = at(10)
    fleet = limited(shipped, fleet_hour=5)
    for number in range(9):
        fleet.site(f"S{number}")
        fleet.person(f"P{number}", "on-call", [f"S{number}"])
    fleet.person("WEST", "coordinator", [f"S{number}" for number in range(6)])
    fleet.person("EAST", "coordinator", [f"S{number}" for number in range(6, 9)])
    fleet.round_done()
    return fleet


def everywhere(fleet: Fleet) -> None:
    for number in range(9):
        late(fleet, f"U{number}", f"S{number}")


def test_the_coordinator_with_the_most_of_what_is_held_gets_it_about_their_own_sites(
    parted: Fleet, clock: Clock
) -> None:
    everywhere(parted)
    assert sweep(parted) == ["P0", "P1", "P2", "P3", "EAST"]
    text = flat(parted.mail()[-1].text)
    assert "This one stands for those to Person P6, Person P7, Person P8; theirs follow." in text
    assert "3 matters are overdue. You have not been told of them before." in text
    assert "U6" in text and "U5" not in text
    assert sweep(parted) == []
    clock.forward(hours=1)
    assert sweep(parted) == ["P4", "P5", "P6", "P7"]  # EAST knows of the last already
    clock.forward(hours=1)
    assert sweep(parted) == ["P8"]


def test_what_is_urgent_takes_no_place_of_what_can_wait(parted: Fleet) -> None:
    fleet = limited(parted, fleet_hour=3)
    for number in range(5):
        fault(fleet, f"U{number}", f"S{number}")
    for number in range(5, 9):
        late(fleet, f"U{number}", f"S{number}")
    assert sweep(fleet) == ["P0", "P1", "P2", "P3", "P4", "P5", "P6", "EAST"]
    assert "This one stands for those to Person P7, Person P8; theirs follow." in flat(fleet.mail()[-1].text)


def test_whoever_has_the_whole_fleet_gets_it_while_they_can_be_told(parted: Fleet) -> None:
    parted.person("CO", "coordinator", whole=True)
    everywhere(parted)
    assert sweep(parted)[-1] == "CO"
    assert "U4" in parted.mail()[-1].text and "U8" in parted.mail()[-1].text


@pytest.mark.parametrize("why", ["no address", "away", "given up", "full"])
def test_where_they_cannot_be_told_it_goes_to_the_coordinator_of_the_sites(
    parted: Fleet, clock: Clock, why: str
) -> None:
    parted.person("CO", "coordinator", whole=True, email="" if why == "no address" else None)
    if why == "given up":
        with parted.program.store.write() as conn:
            conn.execute(insert(messages).values(**_old(parted, 1, "given up")))
    elif why == "full":
        parted = limited(parted, fleet_hour=7, person_hour=2)
        with parted.program.store.write() as conn:
            conn.execute(insert(messages), [_old(parted, number, "sent") for number in (1, 2)])
    elif why == "away":
        today = {"from_on": at(0).date(), "until_on": at(0).date()}
        with parted.program.store.write() as conn:
            conn.execute(insert(absences).values(person_id=parted.people["CO"], **today))
    everywhere(parted)
    assert sweep(parted) == ["P0", "P1", "P2", "P3", "EAST"]


def _old(fleet: Fleet, number: int, state: str) -> dict[str, object]:
    """A letter to CO, of ten minutes ago; one that was given up is of yesterday."""
    made = fleet.program.clock() - (timedelta(days=1) if state == "given up" else timedelta(minutes=10))
    body = EmailMessage()
    body.set_content("old")
    body.add_alternative("<p>old</p>", subtype="html")
    said = {"kind": "escalation", "key": f"old/{number}", "subject": "old", "message_id": f"<{number}@example.org>"}
    times = {"created_at": made, "next_try_at": made, "sent_at": made if state == "sent" else None}
    return {
        **said,
        **times,
        "to_address": "co@example.org",
        "body": body.as_bytes(),
        "urgent": True,
        "state": state,
        "tries": 1,
    }


def test_where_mail_to_everybody_who_could_get_it_was_given_up_it_is_tried_all_the_same(parted: Fleet) -> None:
    parted.person("CO", "coordinator", whole=True)
    with parted.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person.in_(("EAST", "WEST"))).values(email=""))
        conn.execute(insert(messages).values(**_old(parted, 1, "given up")))
    everywhere(parted)
    assert sweep(parted)[-1] == "CO"


def test_who_has_had_their_letters_of_the_hour_is_passed_over(parted: Fleet) -> None:
    fleet = limited(parted, fleet_hour=7, person_hour=2)
    with fleet.program.store.write() as conn:
        for number in (1, 2):
            conn.execute(insert(messages).values(**{**_old(fleet, number, "sent"), "to_address": "East@example.org"}))
    everywhere(fleet)
    assert sweep(fleet) == ["P0", "P1", "P2", "P3", "WEST"]
    assert "stands for those to Person P4, Person P5; theirs follow." in flat(fleet.mail()[-1].text)


def test_one_letter_holds_what_the_coordinator_gets_anyway_and_what_it_stands_for(parted: Fleet, clock: Clock) -> None:
    """Four hours after the fault at S0 its second step calls CO, just when eight more fall overdue."""
    parted.person("CO", "coordinator", whole=True)
    clock.now = at(6)
    fault(parted, "U0", "S0")
    assert sweep(parted) == ["P0"]
    clock.now = at(10)
    for number in range(1, 9):
        late(parted, f"U{number}", f"S{number}")
    assert sweep(parted) == ["CO", "P1", "P2", "P3", "P4", "WEST"]
    text = flat(parted.mail()[1].text)
    assert "stands for those to Person P5, Person P6, Person P7, Person P8;" in text
    assert "1 unit is not to be relied on, and 4 matters are overdue. You have not been told of them before." in text
    assert sweep(parted) == []


def test_who_is_told_anyway_takes_no_place_and_whoever_knows_of_nothing_gets_it(parted: Fleet, clock: Clock) -> None:
    """AAA is on call and coordinator at three sites and is told of all that is there: EAST is not told in haste."""
    parted.person("AAA", "on-call coordinator", ["S6", "S7", "S8"])
    everywhere(parted)
    assert sweep(parted) == ["AAA", "P0", "P1", "P2", "WEST"]
    assert "This one stands for those to Person P3, Person P4, Person P5; theirs follow." in flat(
        parted.mail()[-1].text
    )
    assert sweep(parted) == []
    clock.forward(hours=1)
    assert sweep(parted) == ["P3", "P4", "P5", "P6"]


def test_where_a_coordinator_is_told_of_all_of_it_anyway_nobody_else_is(parted: Fleet) -> None:
    fleet = limited(parted, fleet_hour=2)
    fleet.person("OAK", "on-call coordinator", ["S6", "S7", "S8"])
    for number in range(6, 9):
        late(fleet, f"U{number}", f"S{number}")
    assert sweep(fleet) == ["OAK"]
    assert sweep(fleet) == []


def test_a_letter_of_their_own_that_is_held_goes_in_the_place_that_is_kept(parted: Fleet, clock: Clock) -> None:
    parted.person("ZZZ", "on-call coordinator", ["S7", "S8"])
    everywhere(parted)
    late(parted, "V0", "S6")
    assert sweep(parted) == ["P0", "P1", "P2", "P3", "EAST"]
    clock.forward(hours=1)
    assert sweep(parted) == ["P4", "P5", "P6", "P7"], "EAST knows of what ZZZ is to be told and more"
    clock.forward(hours=1)
    assert sweep(parted) == ["P8", "ZZZ"]


def test_who_was_told_in_the_place_of_others_is_told_of_what_is_new_only(parted: Fleet, clock: Clock) -> None:
    fleet = limited(parted, fleet_hour=2)
    for number in range(3):
        late(fleet, f"U{number}", f"S{number}")
    assert sweep(fleet) == ["P0", "WEST"]
    clock.now = at(11)
    late(fleet, "U3", "S3")
    assert sweep(fleet) == ["P1", "WEST"]
    text = flat(fleet.mail()[-1].text)
    assert "1 matter is overdue. You have not been told of it before." in text
    assert "stands for those to Person P3; theirs follow" in text


def test_where_there_is_no_coordinator_to_tell_that_is_said(parted: Fleet) -> None:
    with parted.program.store.write() as conn:
        conn.execute(update(people).where(people.c.person.in_(("EAST", "WEST"))).values(email=""))
    everywhere(parted)
    swept = telling.tell(parted.program, parted.program.clock())
    assert swept.letters == 4
    assert swept.findings == (
        "5 letters held back: 5 within an hour are the limit of the fleet (cases.fleet_hour), and no coordinator can "
        "be told in their place",
    )
