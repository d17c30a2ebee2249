"""In whose round a person is looked at, and what that round must not overlook because it asks for it first."""

from __future__ import annotations

from datetime import date, timedelta

from sqlalchemy import delete, select

from nightround.bootstrap import Program
from nightround.rounds.people import homes
from nightround.rounds.tonight import run_round
from nightround.store.tables import duties, training
from tests.rounds.night.build import BOOK, TODAY, add_site, add_unit

from .test_round import add_person, trained

BERLIN, TOKYO, LIMA = "Europe/Berlin", "Asia/Tokyo", "America/Lima"
GOOD = date(2028, 1, 31)


def kept(program: Program) -> set[tuple[str, str]]:
    with program.store.read() as conn:
        query = select(duties.c.holder, duties.c.kind).where(duties.c.unit_id.is_(None))
        return {(row.holder, row.kind) for row in conn.execute(query)}


def test_a_person_belongs_to_the_first_of_their_sites_with_or_without_units_there(program: Program) -> None:
    with program.store.write() as conn:
        bare = add_site(conn, "BARE", LIMA)  # no unit in all of its zone
        tokyo, berlin = add_site(conn, "TOKYO", TOKYO), add_site(conn, "BERLIN", BERLIN)
        office = add_site(conn, "OFFICE", BERLIN)  # no unit, but others in its zone have one
        add_unit(conn, "B-1", berlin)
        add_unit(conn, "T-1", tokyo)
        both = add_person(conn, "BOTH", "responder", (bare, berlin, tokyo))
        desk = add_person(conn, "DESK", "responder", (office,))
        nowhere = add_person(conn, "NOWHERE", "responder", (bare,))
        chief = add_person(conn, "CHIEF", "coordinator", whole_fleet=True)
        for person_id in (both, desk, nowhere, chief):
            trained(conn, person_id, None, GOOD, "Own course")
        add_person(conn, "PLAIN", "manager", (berlin,))  # neither a certificate nor a duty
    with program.store.read() as conn:
        assert homes(conn, BERLIN) == [(both, bare), (desk, office), (nowhere, bare), (chief, berlin)]
        assert homes(conn, BERLIN, TOKYO) == []
        assert homes(conn, BERLIN, BERLIN) == [(desk, office), (chief, berlin)]
        assert homes(conn, BERLIN, LIMA) == [(both, bare), (nowhere, bare)]
        # No site in the fleet's zone: the first site of all.
        assert homes(conn, "Asia/Seoul", LIMA) == [(both, bare), (nowhere, bare), (chief, bare)]


def test_in_a_fleet_without_units_people_belong_to_a_round_too_and_without_a_site_to_none(program: Program) -> None:
    with program.store.write() as conn:
        chief = add_person(conn, "CHIEF", "coordinator", whole_fleet=True)
        trained(conn, chief, None, GOOD)
    with program.store.read() as conn:
        assert homes(conn, BERLIN) == []
        assert homes(conn, BERLIN, BERLIN) == []
    with program.store.write() as conn:
        bare = add_site(conn, "BARE", BERLIN)
        one = add_person(conn, "ONE", "responder", (bare,))
        trained(conn, one, None, GOOD)
    with program.store.read() as conn:
        assert homes(conn, BERLIN, BERLIN) == [(chief, bare), (one, bare)]


def test_the_duty_about_a_certificate_goes_when_its_record_was_taken_out(program: Program) -> None:
    with program.store.write() as conn:
        site = add_site(conn, "MILL", BERLIN)
        add_unit(conn, "MILL-01", site)
        person = add_person(conn, "R1", "responder", (site,))
        trained(conn, person, None, GOOD, "Own course")
    run_round(program, BERLIN, TODAY, BOOK)
    assert kept(program) == {(f"p{person}", "certificate")}
    with program.store.write() as conn:
        conn.execute(delete(training))
    result = run_round(program, BERLIN, TODAY + timedelta(days=1), BOOK)
    assert result is not None
    assert result.moves == 1
    assert kept(program) == set()


def test_where_the_last_coordinator_of_the_whole_fleet_leaves_every_site_with_units_is_without_contact(
    program: Program,
) -> None:
    with program.store.write() as conn:
        here, there = add_site(conn, "BERLIN", BERLIN), add_site(conn, "TOKYO", TOKYO)
        own = add_site(conn, "OWN", BERLIN)
        for n, site in enumerate((here, there, own)):
            add_unit(conn, f"U-{n}", site)
        add_site(conn, "BARE", BERLIN)
        add_person(conn, "CHIEF", "coordinator", whole_fleet=True, left_on=TODAY + timedelta(days=20))
        add_person(conn, "CARE", "site-contact", (own,))
    run_round(program, BERLIN, TODAY, BOOK)
    assert kept(program) == {(f"s{here}", "no-contact")}
    run_round(program, TOKYO, TODAY, BOOK)
    assert kept(program) == {(f"s{here}", "no-contact"), (f"s{there}", "no-contact")}
