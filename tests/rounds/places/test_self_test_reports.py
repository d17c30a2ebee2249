"""What a rule asks the unit to send by itself, nothing done by a person stands for: Germany from 2027-01-01.

MPBetreibV §12(2) sentences 2 to 4 (published-facts §1.1). The interval of seven days is the invented sheet's.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.conftest import Clock
from tests.register.office import Office, write

SHEET = """
model = "Sender"
source = "invented"
verified_on = 2026-11-25
[intervals]
self-test-report = { days = 7 }
"""


@pytest.fixture
def sender(office: Office, clock: Clock) -> Office:
    (office.folder / "models").mkdir()
    (office.folder / "models" / "sender.toml").write_text(SHEET, "utf-8")
    with (office.folder / "nightround.toml").open("a", encoding="utf-8") as settings:
        settings.write('[rules]\nmodels = "models"\n')
    clock.now = datetime(2027, 2, 20, 12, 0, tzinfo=UTC)
    office.bring(
        write(
            office.folder / "files",
            sites="site | time_zone | country\nMUC | Europe/Berlin | DE",
            units="unit | site | model | in_service_on\nU | MUC | Sender | 2027-01-10",
            people="person | email | roles | sites\nP | p@example.org | coordinator | *",
        )
    )
    return office


def sent(office: Office) -> tuple[str, str | None, str]:
    (found,) = [one for one in office.run("duties", "--unit", "U").document if one["kind"] == "self-test-report"]
    return found["standing"], found["last_good_day"], found["because"][0]["evidence"]


def log(office: Office, *arguments: str) -> None:
    answer = office.say("log", "U", *arguments)
    assert answer.status in (0, 3), answer.err


NOTHING_SENT = ("overdue", "2027-01-17", "never done; in service since 2027-01-10")


@pytest.mark.parametrize("scope", ["look", "test", "inspection"])
def test_no_check_by_a_person_stands_for_it(sender: Office, scope: str) -> None:
    readings = ("--reading", f"scope={scope}", "--reading", "self-test=ok")
    log(sender, "check", "--by", "P", "--at", "2027-02-19T10:00", *readings)
    assert sent(sender) == NOTHING_SENT


def test_nor_does_any_other_report(sender: Office) -> None:
    for about in ("check", "crew", "registration", "responders"):
        log(sender, "reported", "--by", "P", "--at", "2027-02-19T10:00", "--reading", f"about={about}")
    assert sent(sender) == NOTHING_SENT


def test_a_result_that_arrived_is_good_for_the_interval_of_the_sheet(sender: Office) -> None:
    log(sender, "reported", "--by", "P", "--at", "2027-02-19T10:00", "--reading", "about=self-test")
    assert sent(sender) == ("ahead", "2027-02-26", "last done 2027-02-19")
    # It is no look at the unit, and no report to an authority.
    found = {one["kind"]: one["because"][0]["evidence"] for one in sender.run("duties", "--unit", "U").document}
    assert found["look"].startswith("never done")


def test_a_result_that_is_bad_is_bad_news(sender: Office) -> None:
    readings = ("--reading", "about=self-test", "--reading", "self-test=fault")
    log(sender, "reported", "--by", "P", "--at", "2027-02-19T10:00", *readings)
    assert "put-right" in {one["kind"] for one in sender.run("duties", "--unit", "U").document}


def test_a_passer_by_cannot_say_that_it_was_sent(sender: Office) -> None:
    log(sender, "reported", "--at", "2027-02-19T10:00", "--reading", "about=self-test")
    assert sent(sender) == NOTHING_SENT
