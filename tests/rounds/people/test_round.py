"""People in the round: certificates, too few responders, and sites left without contact; on both databases."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, delete, insert, select, update

from nightround.bootstrap import Program
from nightround.calendars import keys
from nightround.errors import UserError
from nightround.letters.audience import WEEKLY_ROLES, readers
from nightround.letters.watch import Watch
from nightround.register.leaving import leave, training_kept_until
from nightround.rounds.asking import Wanted, duties_on, stored_duties
from nightround.rounds.atonce import reckon_people
from nightround.rounds.rulebook import RuleBook, load
from nightround.rounds.todays import today
from nightround.rounds.tonight import run_round
from nightround.store.tables import cases, duties, moves, people, person_roles, person_sites, sites, training
from tests.conftest import START, Clock
from tests.rounds.night.build import TODAY, add_site, add_unit

ZONE = "Europe/Berlin"


@pytest.fixture
def book(program: Program) -> RuleBook:
    return load(program.settings)


def add_person(conn: Connection, code: str, role: str, at: tuple[int, ...] = (), **more: Any) -> int:
    values = {"person": code, "name": f"Name {code}", "email": f"{code.lower()}@example.org"} | more
    person_id = int(conn.execute(insert(people).values(**values).returning(people.c.id)).scalar_one())
    conn.execute(insert(person_roles).values(person_id=person_id, role=role))
    for site_id in at:
        conn.execute(insert(person_sites).values(person_id=person_id, site_id=site_id))
    return person_id


def trained(conn: Connection, person_id: int, issued: date | None, good: date | None = None, name: str = "AHA") -> None:
    valid_to = str(good or "")
    conn.execute(
        insert(training).values(
            person_id=person_id, certificate=name, issued_on=issued, valid_to=valid_to, last_good_day=good
        )
    )


def fleet(program: Program) -> dict[str, int]:
    with program.store.write() as conn:
        site = add_site(conn, "MILL", ZONE, responders=2)
        add_unit(conn, "MILL-01", site)
        ids = {
            "MILL": site,
            "CO": add_person(conn, "CO", "coordinator", whole_fleet=True),
            "SC": add_person(conn, "SC", "site-contact", (site,)),
            "R1": add_person(conn, "R1", "responder", (site,)),
            "R2": add_person(conn, "R2", "responder", (site,)),
        }
        trained(conn, ids["R1"], date(2026, 2, 10))  # to 2028-02-29
        trained(conn, ids["R2"], date(2024, 12, 3))  # to 2026-12-31
        trained(conn, ids["CO"], None, date(2026, 11, 20), "Own course")
    return ids


def kept(program: Program, holder: str) -> list[tuple[str, str, date | None]]:
    with program.store.read() as conn:
        query = select(duties.c.kind, duties.c.standing, duties.c.last_good_day).where(duties.c.holder == holder)
        return [tuple(row) for row in conn.execute(query.order_by(duties.c.kind, duties.c.key))]


def test_the_round_writes_what_people_and_sites_owe_and_a_second_one_moves_nothing(
    program: Program, book: RuleBook
) -> None:
    ids = fleet(program)
    assert run_round(program, ZONE, TODAY, book) is not None
    assert kept(program, f"p{ids['R1']}") == [("certificate", "ahead", date(2028, 2, 29))]
    assert kept(program, f"p{ids['R2']}") == [("certificate", "ahead", date(2026, 12, 31))]
    # Whoever has no site of their own is reckoned at the fleet's first.
    assert kept(program, f"p{ids['CO']}") == [("certificate", "overdue", date(2026, 11, 20))]
    assert kept(program, f"s{ids['MILL']}") == [("responders", "ahead", date(2026, 12, 31))]
    again = run_round(program, ZONE, TODAY, book, again=True)
    assert again is not None and (again.moves, again.cases_opened, again.cases_closed) == (0, 0, 0)
    with program.store.read() as conn:
        found = stored_duties(conn, Wanted())
        assert {duty["person"] for duty in found if duty["kind"] == "certificate"} == {"CO", "R1", "R2"}
        assert all(duty["responsible"] == "CO" for duty in found if duty["kind"] == "certificate")
        asked = duties_on(conn, book, TODAY, Wanted(), program.settings)
    key = lambda duty: (duty["unit"] or "", duty["person"] or "", duty["kind"], duty["subject"])  # noqa: E731
    assert sorted(found, key=key) == sorted(asked, key=key)


def test_a_newer_certificate_takes_the_place_of_the_old_one(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    run_round(program, ZONE, TODAY, book)
    with program.store.write() as conn:
        uid = conn.execute(select(duties.c.uid).where(duties.c.holder == f"p{ids['R2']}")).scalar_one()
        trained(conn, ids["R2"], date(2026, 11, 24))
    reckon_people(program, book)
    assert kept(program, f"p{ids['R2']}") == [("certificate", "ahead", date(2028, 11, 30))]
    assert kept(program, f"s{ids['MILL']}") == [("responders", "ahead", date(2028, 2, 29))]
    with program.store.read() as conn:
        assert conn.execute(select(duties.c.uid).where(duties.c.holder == f"p{ids['R2']}")).scalar_one() != uid


def test_too_few_responders_open_a_case_on_the_first_bad_day_and_close_it(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    for day, standing, opened in (
        (date(2026, 12, 31), "open", 0),
        (date(2027, 1, 1), "overdue", 1),
    ):
        done = run_round(program, ZONE, day, book)
        assert done is not None
        assert kept(program, f"s{ids['MILL']}")[0][1] == standing
        with program.store.read() as conn:
            found = conn.execute(select(cases.c.cause).where(cases.c.closed_at.is_(None))).scalars().all()
        assert found.count(f"s{ids['MILL']}/overdue") == opened
    with program.store.write() as conn:
        assert not conn.execute(select(cases.c.found_at_import).where(cases.c.unit_id.is_(None))).scalar_one()
        trained(conn, ids["R2"], date(2026, 12, 30))
    run_round(program, ZONE, date(2027, 1, 2), book)
    with program.store.read() as conn:
        left = conn.execute(select(cases.c.cause).where(cases.c.closed_at.is_(None), cases.c.unit_id.is_(None)))
        assert left.first() is None


def test_whoever_leaves_is_asked_for_nothing_and_their_site_is_without_contact_that_night(
    program: Program, book: RuleBook, clock: Clock
) -> None:
    ids = fleet(program)
    run_round(program, ZONE, TODAY, book)
    with program.store.write() as conn:
        feed, key = keys.add(conn, clock(), person_id=ids["SC"])
        leave(conn, "SC", TODAY, now=START)
        leave(conn, "R1", TODAY, now=START)
    reckon_people(program, book)
    assert ("no-contact", "open", TODAY) in kept(program, f"s{ids['MILL']}")
    with program.store.read() as conn:
        assert keys.find_for(conn, program.settings, key, clock()) == feed  # the last day is still one with us
    night = clock.now = datetime(2026, 11, 26, 1, 30, tzinfo=UTC)  # 02:30 in Berlin
    run_round(program, ZONE, TODAY + timedelta(days=1), book)
    assert kept(program, f"s{ids['MILL']}") == [
        ("no-contact", "overdue", TODAY),
        ("responders", "overdue", TODAY),
    ]
    assert kept(program, f"p{ids['R1']}") == []
    with program.store.read() as conn:
        query = select(cases.c.cause, cases.c.kind, cases.c.found_at_import, cases.c.what)
        listed = conn.execute(query.where(cases.c.unit_id.is_(None), cases.c.closed_at.is_(None)).order_by("cause"))
        contact, overdue = listed.all()
        assert tuple(contact[:3]) == (f"s{ids['MILL']}/no-contact", "no-contact", False)
        assert "without contact" in contact.what
        assert tuple(overdue[:3]) == (f"s{ids['MILL']}/overdue", "overdue", False)
        found = today(conn, night)
        assert (found["without_contact"], found["short_of_responders"]) == (["MILL"], ["MILL"])
        assert keys.find_for(conn, program.settings, key, night) is None
        # The round's moves name the site's duty.
        moved = select(moves.c.key).where(moves.c.on == TODAY + timedelta(days=1))
        assert "no-contact" in conn.execute(moved).scalars().all()


def test_letters_pass_over_whoever_left_by_the_day_where_they_are(program: Program) -> None:
    ids = fleet(program)
    with program.store.write() as conn:
        add_person(conn, "MA", "manager", (ids["MILL"],))
        leave(conn, "MA", TODAY, now=START)
    last = datetime(2026, 11, 25, 22, 59, tzinfo=UTC)  # 23:59 in Berlin
    for at, there in ((last, True), (last + timedelta(minutes=1), False)):
        with program.store.read() as conn:
            found = [reader.person for reader in readers(conn, program.settings, WEEKLY_ROLES, at=at)]
            watch = Watch.over(conn, program.settings, at, {ids["MILL"]})
        assert ("MA" in found) is there
        assert ("MA" in [reader.person for reader in watch.holders(ids["MILL"], "manager")]) is there


def test_who_takes_over_has_the_roles_and_sites_at_once(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    run_round(program, ZONE, TODAY, book)
    with program.store.write() as conn:
        left = leave(conn, "SC", TODAY - timedelta(days=1), "R1", now=START)
    assert left.taken_over == ("site-contact",)
    reckon_people(program, book)
    assert [kind for kind, *_ in kept(program, f"s{ids['MILL']}")] == ["responders"]
    with program.store.write() as conn:
        with pytest.raises(UserError, match="cannot take over from themselves"):
            leave(conn, "R1", TODAY, "R1", now=START)
        with pytest.raises(UserError, match="name somebody who stays"):
            leave(conn, "R1", TODAY, "SC", now=START)
        with pytest.raises(UserError, match="not in the register"):
            leave(conn, "NOBODY", TODAY, now=START)


def test_whoever_comes_back_counts_again(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    with program.store.write() as conn:
        leave(conn, "SC", TODAY - timedelta(days=1), now=START)
    run_round(program, ZONE, TODAY, book)
    assert ("no-contact", "overdue", TODAY - timedelta(days=1)) in kept(program, f"s{ids['MILL']}")
    with program.store.write() as conn:
        assert leave(conn, "SC", None, now=START).before == TODAY - timedelta(days=1)
    reckon_people(program, book)
    assert [kind for kind, *_ in kept(program, f"s{ids['MILL']}")] == ["responders"]


def test_duties_move_with_the_persons_first_site(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    run_round(program, ZONE, TODAY, book)
    with program.store.write() as conn:
        other = add_site(conn, "TOKY", "Asia/Tokyo")
        add_unit(conn, "TOKY-01", other)
        conn.execute(delete(person_sites).where(person_sites.c.person_id == ids["R1"]))
        conn.execute(insert(person_sites).values(person_id=ids["R1"], site_id=other))
    done = run_round(program, "Asia/Tokyo", TODAY, book)
    assert done is not None
    with program.store.read() as conn:
        found = conn.execute(select(duties.c.site_id).where(duties.c.holder == f"p{ids['R1']}")).scalars().all()
    assert found == [other]


def test_a_default_number_asks_every_site_with_units(program: Program, book: RuleBook) -> None:
    ids = fleet(program)
    with program.store.write() as conn:
        conn.execute(update(sites).values(responders=None))
        add_site(conn, "BARE", ZONE)
    run_round(program, ZONE, TODAY, book)
    assert kept(program, f"s{ids['MILL']}") == []
    program.settings.rounds.responders = 3
    run_round(program, ZONE, TODAY, book, again=True)
    assert kept(program, f"s{ids['MILL']}") == [("responders", "overdue", None)]
    with program.store.read() as conn:
        assert conn.execute(select(duties.c.id).where(duties.c.kind == "responders")).scalars().all()[1:] == []


def test_training_is_kept_from_the_end_of_the_role(book: RuleBook) -> None:
    # 7.27.8.9 NMAC: while active and at least three years after
    rules = [book.rule("us-nm-records-of-training")]
    assert training_kept_until(rules, date(2024, 2, 29)) == date(2027, 2, 28)
    assert training_kept_until(rules, None) is None
    assert training_kept_until([], date(2024, 2, 29)) is None
