"""A recommended refresher is never overdue: the letter says so, and gives no day by which it is to be done."""

from __future__ import annotations

import pytest

from tests.register.office import Office, write


@pytest.fixture
def trained(office: Office) -> Office:
    """First aid of 2024-03-01 in Great Britain: good for three years, a refresher recommended every year (L74)."""
    office.bring(
        write(
            office.folder / "files",
            sites="site | name | time_zone | country\nHALL | Hall | Europe/London | GB",
            units="unit | site | in_service_on\nU | HALL | 2026-11-20",
            people="""
                person | name | email           | roles       | sites
                MA     | Max  | max@example.org | manager     | *
                R1     | Ana  | ana@example.org | responder   | HALL
            """,
            training="person | certificate | issued_on\nR1 | First aid at work | 2024-03-01",
        )
    )
    assert office.run("round").status in (0, 3)
    return office


@pytest.mark.parametrize("options", [(), ("--week", "2026-W50")], ids=["stored", "another week"])
def test_the_letter_gives_no_day_for_what_is_only_recommended(trained: Office, options: tuple[str, ...]) -> None:
    answer = trained.say("letter", "--to", "MA", *options)
    assert answer.status == 0, answer.err
    said = " ".join(answer.out.split())
    assert "the next round will call it overdue" not in said
    assert "refresher" not in said.partition("to do by")[2].partition("never overdue")[0]
    assert "1 recommended, and never overdue" in said
    assert "refresher for Ana (R1): First aid at work, since Sat 1 Mar 2025" in said
    (found,) = [one for one in trained.run("duties", "--on", "2027-02-27").document if one["kind"] == "refresher"]
    assert found["standing"] == "open"
