"""A site belongs to a round of its own zone, with or without units there: its spares and its people."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.pages import health
from nightround.rounds.tonight import owed, run_owed
from nightround.settings import load
from tests.conftest import Clock
from tests.register.office import Office, write

# The only unit stands in Paris; Lima has a depot with a spare, a person trained there, and responders wanted.
SITES = """
    site  | name  | time_zone    | country | responders
    SHOP  | Shop  | Europe/Paris | FR      |
    DEPOT | Depot | America/Lima | PE      | 2
"""
FLEET: dict[str, str] = {
    "sites": SITES,
    "units": """
        unit    | site | model      | in_service_on
        SHOP-01 | SHOP | Orrel Twin | 2025-01-01
    """,
    "people": """
        person | name | email            | roles     | sites
        R1     | Ana  | ana@example.org  | responder | DEPOT
    """,
    "training": """
        person | certificate | valid_to
        R1     | Own course  | 2026-12-05
    """,
}
SPARE = """
    unit | site  | kind       | state | label_date
         | DEPOT | pads-adult | spare | 2026-11-30
"""


def at_the_depot(office: Office, *options: str) -> list[tuple[str, str, str | None]]:
    found = office.run("duties", "--site", "DEPOT", *options).document
    return sorted((one["subject"], one["standing"], one["last_good_day"]) for one in found)


ALL_OWED = [
    ("certificate of Ana (R1): Own course", "open", "2026-12-05"),
    ("pads-adult, spare", "order now", "2026-11-30"),
    ("responders with a certificate in date: 2 wanted", "overdue", None),
]


def test_what_such_a_site_owes_is_there_after_the_import(office: Office) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=SPARE))
    assert at_the_depot(office) == ALL_OWED


def test_a_spare_that_comes_alone_is_reckoned_with_its_import(office: Office) -> None:
    office.bring(write(office.folder / "files", **FLEET))
    office.bring(write(office.folder / "files", parts=SPARE))
    assert at_the_depot(office) == ALL_OWED


def test_its_round_goes_on_by_itself(office: Office, clock: Clock) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=SPARE))
    program = Program(load(office.folder / "nightround.toml"), office.store, clock)
    assert [zone for zone, _ in owed(program)] == ["America/Lima", "Europe/Paris"]
    assert "America/Lima" in _zones_asked(program)
    run_owed(program)
    assert owed(program) == []
    clock.now = datetime(2026, 12, 1, 12, 0, tzinfo=UTC)
    assert ("America/Lima", date(2026, 12, 1)) in owed(program)
    run_owed(program)
    assert ("pads-adult, spare", "overdue", "2026-11-30") in at_the_depot(office)
    assert office.rows("SELECT zone FROM ledger WHERE state = 'done' AND zone = 'America/Lima'")
    assert {one["site"] for one in office.run("cases").document} == {"SHOP", "DEPOT"}


def test_a_round_by_hand_knows_the_zone(office: Office) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=SPARE))
    answer = office.run("round", "--zone", "America/Lima", "--on", "2026-12-01")
    assert answer.status == 0, answer.err
    assert ("pads-adult, spare", "overdue", "2026-11-30") in at_the_depot(office)


def test_what_a_site_owed_goes_when_its_last_unit_goes(office: Office, clock: Clock) -> None:
    """Its zone goes on: what was owed for its people there is looked at in the next night as in every other."""
    office.bring(write(office.folder / "files", **FLEET))
    office.bring(
        write(
            office.folder / "files",
            people="""
                person | name | email            | roles        | sites | left_on
                C1     | Lea  | lea@example.org  | site-contact | SHOP  | 2026-11-30
            """,
        )
    )
    assert "no-contact" in {one["kind"] for one in office.run("duties", "--site", "SHOP").document}
    office.say("log", "SHOP-01", "moved", "--to", "DEPOT", "--by", "R1")
    clock.now += timedelta(days=1)
    program = Program(load(office.folder / "nightround.toml"), office.store, clock)
    run_owed(program)
    assert office.run("duties", "--site", "SHOP").document == []


def _zones_asked(program: Program) -> set[str]:
    answer = TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000)).get("/readyz")
    return {row["zone"] for row in answer.json()["rounds"]}


def test_no_site_is_left_out_of_the_days_as_a_round_would_find_them(office: Office) -> None:
    office.bring(write(office.folder / "files", **FLEET, parts=SPARE))
    assert at_the_depot(office, "--on", "2026-11-25") == ALL_OWED
