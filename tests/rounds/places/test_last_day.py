"""What somebody wrote into the log counts as evidence while they are with us, their last day included."""

from __future__ import annotations

import pytest

from tests.register.office import Office, write

# The last day is counted where the person is: 2026-11-20 in Tokyo ends at 15:00 of that day in UTC.
PEOPLE = """
    person | name | email           | roles        | sites | left_on    | time_zone
    GONE   | Gus  | gus@example.org | site-contact | SHOP  | 2026-11-20 |
    FAR    | Fumi | fum@example.org | site-contact | SHOP  | 2026-11-20 | Asia/Tokyo
    STAYS  | Sue  | sue@example.org | coordinator  | *     |            |
"""
LATE, LAST = "2026-11-21T08:00:00+01:00", "2026-11-20T23:30:00+01:00"


@pytest.fixture
def shop(office: Office) -> Office:
    office.bring(
        write(
            office.folder / "files",
            sites="site | time_zone | country\nSHOP | Europe/Paris | FR",
            units="unit | site | in_service_on\nU | SHOP | 2026-10-01",
            people=PEOPLE,
        )
    )
    return office


def looked(office: Office) -> str:
    (found,) = [one for one in office.run("duties", "--unit", "U").document if one["kind"] == "look"]
    return str(found["because"][0]["evidence"])


def check(office: Office, person: str, at: str) -> None:
    answer = office.say("log", "U", "check", "--by", person, "--at", at, "--reading", "self-test=ok")
    assert answer.status in (0, 3), answer.err


NEVER = "never done; in service since 2026-10-01"


@pytest.mark.parametrize(
    ("person", "at", "said"),
    [
        ("GONE", LAST, "last done 2026-11-20"),
        ("GONE", LATE, NEVER),
        ("FAR", "2026-11-20T15:59:00+01:00", "last done 2026-11-20"),
        ("FAR", "2026-11-20T16:00:00+01:00", NEVER),  # midnight in Tokyo
        ("STAYS", LATE, "last done 2026-11-21"),
    ],
)
def test_a_check_counts_up_to_the_last_day_of_its_person(shop: Office, person: str, at: str, said: str) -> None:
    check(shop, person, at)
    assert looked(shop) == said


def test_an_imported_check_is_no_different(shop: Office) -> None:
    log = f"unit | at | entry | person | readings\nU | {LATE} | check | GONE | self-test=ok"
    shop.bring(write(shop.folder / "files", log=log))
    assert looked(shop) == NEVER


def test_bad_news_counts_from_anybody(shop: Office) -> None:
    answer = shop.say("log", "U", "fault", "--by", "GONE", "--at", LATE, "--note", "beeps")
    assert answer.status in (0, 3), answer.err
    assert "put-right" in {one["kind"] for one in shop.run("duties", "--unit", "U").document}


def test_a_last_day_that_is_recorded_later_takes_what_came_after_it_with_it(shop: Office) -> None:
    check(shop, "STAYS", LATE)
    assert looked(shop) == "last done 2026-11-21"
    assert shop.run("person", "leave", "STAYS", "--on", "2026-11-20").status == 0
    assert looked(shop) == NEVER
    assert shop.run("person", "leave", "STAYS", "--stays").status == 0
    assert looked(shop) == "last done 2026-11-21"
    shop.bring(write(shop.folder / "files", people="person | left_on\nSTAYS | 2026-11-20"))
    assert looked(shop) == NEVER
    shop.bring(write(shop.folder / "files", people="person | left_on\nSTAYS | 2026-11-21"))
    assert looked(shop) == "last done 2026-11-21"
