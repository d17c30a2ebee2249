"""By no rule is anything overdue before the first day on which it bound this unit at this place, through the commands.

The rules are the shipped ones. South Korea's report of checks is asked for since 2025-08-17 (published-facts §1.1);
its monthly look and Minnesota's, Maryland's and Madrid's registrations stand in their packs with their sources.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.register.office import Office, write

SITES = """
    site   | name   | time_zone        | country | subdivision | site_type
    BERLIN | Berlin | Europe/Berlin    | DE      |             |
    HAM    | Hafen  | Europe/Berlin    | DE      |             |
    SEOUL  | Seoul  | Asia/Seoul       | KR      |             |
    BUSAN  | Busan  | Asia/Seoul       | KR      |             |
    BALT   | Balt   | America/New_York | US      | MD          |
    DULUTH | Duluth | America/Chicago  | US      | MN          |
    CHI    | Chi    | America/Chicago  | US      | IL          | sports
"""
PEOPLE = """
    person | name | email           | roles       | sites
    P      | Pia  | pia@example.org | coordinator | *
"""
DAY = "2026-11-24"


@pytest.fixture
def fleet(office: Office) -> Office:
    office.bring(
        write(
            office.folder / "files",
            sites=SITES,
            people=PEOPLE,
            units="""
                unit | site   | model      | in_service_on
                U    | BERLIN | Orrel Twin | 2025-01-01
                K    | SEOUL  | Orrel Twin | 2024-03-01
            """,
        )
    )
    return office


def log(office: Office, *arguments: str) -> None:
    answer = office.say("log", *arguments, "--by", "P")
    assert answer.status in (0, 3), answer.err


def owed(office: Office, kind: str, unit: str = "U", on: str = DAY) -> tuple[str, str | None, str]:
    (found,) = [one for one in office.run("duties", "--unit", unit, "--on", on).document if one["kind"] == kind]
    return found["standing"], found["last_good_day"], found["because"][0]["evidence"]


def by_rule(office: Office, rule: str, on: str = DAY) -> dict[str, Any]:
    found = office.run("duties", "--unit", "U", "--on", on).document
    return next(because for one in found for because in one["because"] if because["rule"] == rule)


MOVED = ("ahead", "2026-12-31", "not reported here since; moved here 2026-11-22")


def test_a_report_is_owed_from_the_day_of_arrival_and_not_from_before(fleet: Office) -> None:
    log(fleet, "U", "moved", "--to", "SEOUL", "--at", "2026-11-22T10:00")
    assert owed(fleet, "report-check") == MOVED
    assert owed(fleet, "report-check", on="2027-01-01")[0] == "overdue"


def test_a_move_that_an_import_tells_of_gives_the_same(fleet: Office) -> None:
    fleet.bring(write(fleet.folder / "files", units="unit | site\nU | SEOUL"))
    # The import is of the morning of 2026-11-25 in UTC; that is the evening in Seoul.
    assert owed(fleet, "report-check", on="2026-11-25") == (
        "ahead", "2026-12-31", "not reported here since; moved here 2026-11-25",
    )  # fmt: skip


def test_a_report_to_somebody_else_is_none_to_the_authority_here(fleet: Office) -> None:
    log(fleet, "U", "reported", "--at", "2026-11-20T10:00", "--reading", "about=check")
    log(fleet, "U", "moved", "--to", "SEOUL", "--at", "2026-11-22T10:00")
    assert owed(fleet, "report-check") == MOVED
    log(fleet, "U", "reported", "--at", "2026-11-23T10:00", "--reading", "about=check")
    assert owed(fleet, "report-check")[2] == "last done 2026-11-23"


def test_a_move_within_the_rules_reach_puts_nothing_off(fleet: Office) -> None:
    log(fleet, "K", "moved", "--to", "BUSAN", "--at", "2026-11-22T10:00")
    standing, good, said = owed(fleet, "report-check", "K")
    # The rule began on 2025-08-17: the first report had the time that any has, to the end of the next month.
    assert (standing, good) == ("overdue", "2025-09-30")
    assert said == "not reported here since; the rule began 2025-08-17"


def test_away_and_back_counts_from_the_return(fleet: Office) -> None:
    log(fleet, "K", "moved", "--to", "HAM", "--at", "2026-10-02T10:00")
    log(fleet, "K", "moved", "--to", "BUSAN", "--at", "2026-11-22T10:00")
    assert owed(fleet, "report-check", "K") == MOVED


def test_a_move_that_is_struck_never_was(fleet: Office) -> None:
    log(fleet, "K", "moved", "--to", "HAM", "--at", "2026-10-02T10:00")
    log(fleet, "K", "moved", "--to", "BUSAN", "--at", "2026-11-22T10:00")
    for number, _, entry, *_ in fleet.rows("SELECT id, unit_id, entry FROM log ORDER BY id DESC"):
        if entry == "moved":
            assert fleet.say("strike", number, "--why", "never happened", "--by", "P").status in (0, 3)
    assert owed(fleet, "report-check", "K")[1] == "2025-09-30"


def test_a_look_is_good_to_the_day_of_arrival_at_least(fleet: Office) -> None:
    log(fleet, "U", "check", "--at", "2026-09-10T10:00", "--reading", "self-test=ok")
    log(fleet, "U", "moved", "--to", "SEOUL", "--at", "2026-11-22T10:00")
    because = by_rule(fleet, "kr-look-monthly")
    assert because["last_good_day"] == "2026-11-22"
    assert because["evidence"] == "last done 2026-09-10; moved here 2026-11-22"
    # The house rule went along with the unit: what it was late by stays late.
    assert by_rule(fleet, "house-look-monthly")["last_good_day"] == "2026-10-10"
    assert owed(fleet, "look")[0] == "overdue"


def test_a_registration_has_its_whole_time_from_the_day_of_arrival(fleet: Office) -> None:
    log(fleet, "U", "moved", "--to", "DULUTH", "--at", "2026-11-23T10:00")
    # Minnesota 403.51: 30 working days; 2026-11-26 and 27 (Thanksgiving), 12-25, 2027-01-01 and 01-18 are none there.
    standing, good, said = owed(fleet, "register")
    assert standing == "open"
    assert good is not None and good > "2027-01-05"
    assert "moved here 2026-11-23" in said
    # That a change was told says nothing of the first registration, nor does it make that one older.
    log(fleet, "U", "reported", "--at", "2026-11-24T10:00", "--reading", "about=registration-change")
    assert owed(fleet, "register")[:2] == ("open", good)


def test_a_registration_elsewhere_is_not_the_one_to_be_renewed(fleet: Office) -> None:
    fleet.bring(write(fleet.folder / "files", units="unit | registered_on\nU | 2021-02-01"))
    log(fleet, "U", "moved", "--to", "BALT", "--at", "2026-11-23T10:00")
    standing, good, _ = owed(fleet, "renew-registration")
    assert (standing, good) == ("ahead", "2029-11-23")  # Maryland: three years


def test_what_was_out_of_service_before_it_came_is_not_late_when_it_arrives(fleet: Office) -> None:
    log(fleet, "U", "fault", "--at", "2026-10-01T10:00", "--note", "beeps")
    log(fleet, "U", "moved", "--to", "CHI", "--at", "2026-11-23T10:00")
    assert owed(fleet, "replace", on="2026-11-23")[:2] == ("open", "2026-11-23")
