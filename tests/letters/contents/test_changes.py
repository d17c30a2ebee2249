"""What changed since the last letter: the net of the week, each change while they are few, else how many."""

from __future__ import annotations

import pytest

from nightround.letters import changes, weekly

from ...conftest import Clock
from .build import Fleet, day, flat


@pytest.fixture
def second(sqlite_fleet: Fleet, clock: Clock) -> Fleet:
    return a_week_on(sqlite_fleet, clock)


def a_week_on(fleet: Fleet, clock: Clock) -> Fleet:
    """A week after the first letter, with a unit that is not all well, so that the letter is a long one."""
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    for number in range(4):
        fleet.unit(f"M{number}", "MILL", "work due")
    fleet.duty("M0", "test", "overdue", day(-1))
    fleet.round_done()
    weekly.post_owed(fleet.program, fleet.program.clock())
    clock.forward(days=6)
    return fleet


def said(fleet: Fleet, clock: Clock) -> str:
    clock.forward(days=1)
    weekly.post_owed(fleet.program, clock.now)
    text = flat(fleet.mail("weekly")[-1].text)
    return text.partition("What changed since the last letter")[2].partition("Asked for by")[0]


def good(day: str, **more: str) -> dict[str, str]:
    return {"last_good_day": day, **more}


def test_a_first_letter_says_that_there_is_nothing_to_compare(fleet: Fleet) -> None:
    fleet.site("MILL")
    fleet.person("A", "coordinator", whole=True)
    fleet.unit("M1", "MILL", "work due")
    fleet.duty("M1", "look", "overdue", day(-3))
    for number in range(40):
        fleet.move("M1", f"k{number}", {}, good("2026-12-01", standing="ahead"))
    weekly.post_owed(fleet.program, fleet.program.clock())
    text = flat(fleet.mail()[0].text)
    assert "This is the first of these letters to you, so there is nothing yet to compare it with." in text
    assert "k1" not in text


def test_nothing_changed_is_said(second: Fleet, clock: Clock) -> None:
    assert "Nothing, since Wed 25 Nov 2026, 09:00." in said(second, clock)


@pytest.mark.parametrize(
    ("key", "old", "new", "line"),
    [
        (
            "condition",
            {"condition": "work due"},
            {"condition": "not to be relied on"},
            "was work due, now not to be relied on",
        ),
        ("condition", {"condition": "in service"}, {"condition": "no evidence"}, "was in service, now no evidence"),
        ("condition", {"condition": "no evidence"}, {"condition": "work due"}, "was no evidence, now work due"),
        ("condition", {"condition": "in service"}, {"condition": "withdrawn"}, "was in service, now withdrawn"),
        ("condition", {}, {"condition": "in service"}, "new in the register: in service"),
        ("look", {"standing": "open"}, {"standing": "overdue"}, "look at the unit: became overdue"),
        (
            "look",
            good("2026-11-20", standing="overdue"),
            good("2026-12-20", standing="ahead"),
            "look at the unit: done, good to Sun 20 Dec 2026",
        ),
        (
            "battery/fitted/7",
            good("2027-11-20"),
            good("2026-12-20"),
            "replace battery: last good day moved forward from Sat 20 Nov 2027 to Sun 20 Dec 2026",
        ),
        ("battery/fitted/7", {"standing": "ahead"}, {"standing": "order now"}, "battery, fitted: came up for ordering"),
        ("look", {"standing": "ahead"}, {"standing": "not recorded"}, "look at the unit: no date on record any more"),
        ("test", {}, good("2026-11-28", standing="open"), "test the unit: new, last good day Sat 28 Nov 2026"),
        ("restore", good("2026-11-28", standing="open"), {}, "restore the unit after use: no longer owed"),
    ],
)
def test_each_change_has_its_words(
    second: Fleet, clock: Clock, key: str, old: dict[str, str], new: dict[str, str], line: str
) -> None:
    second.move("M1", key, old, new, subject="battery, fitted" if "battery" in key else key)
    assert f"- M1, Site MILL: {line}" in said(second, clock)


def test_only_the_net_of_several_moves_counts(fleet: Fleet, clock: Clock) -> None:
    second = a_week_on(fleet, clock)
    second.move("M1", "condition", {"condition": "in service"}, {"condition": "not to be relied on"})
    second.move("M1", "condition", {"condition": "not to be relied on"}, {"condition": "in service"})
    second.move("M2", "look", {"standing": "open"}, {"standing": "overdue"})
    second.move("M2", "look", good("2026-11-28", standing="overdue"), good("2026-12-28", standing="ahead"))
    text = said(second, clock)
    assert "M1" not in text
    assert "M2, Site MILL: look at the unit: done, good to Mon 28 Dec 2026" in text


def test_a_part_that_went_and_one_that_came_are_one_replacement(fleet: Fleet, clock: Clock) -> None:
    second = a_week_on(fleet, clock)
    second.move("M1", "battery/fitted/7", good("2026-11-28", standing="open"), {}, subject="battery, fitted")
    second.move("M1", "battery/fitted/9", {}, good("2031-11-28", standing="ahead"), subject="battery, fitted")
    text = said(second, clock)
    assert "- M1, Site MILL: battery, fitted: replaced, good to Fri 28 Nov 2031" in text
    assert text.count("M1") == 1


def test_a_new_units_own_duties_are_not_told_one_by_one(second: Fleet, clock: Clock) -> None:
    second.move("M3", "condition", {}, {"condition": "work due"})
    second.move("M3", "look", {}, good("2026-12-05", standing="open"))
    assert said(second, clock).count("M3") == 1


def test_what_opens_in_the_course_of_time_is_no_change(second: Fleet, clock: Clock) -> None:
    second.move("M1", "look", {"standing": "ahead"}, {"standing": "open"})
    second.move("M1", "condition", {"condition": "in service"}, {"condition": "work due"})
    assert "Nothing, since" in said(second, clock)


def test_moves_before_the_last_letter_are_not_told_again(second: Fleet, clock: Clock) -> None:
    second.move("M1", "look", {"standing": "open"}, {"standing": "overdue"})
    assert "became overdue" in said(second, clock)
    clock.forward(days=6)
    assert "Nothing, since Wed 2 Dec 2026, 09:00." in said(second, clock)


def test_many_changes_are_counted_and_only_the_gravest_named(fleet: Fleet, clock: Clock) -> None:
    second = a_week_on(fleet, clock)
    for number in range(changes.EACH):
        second.move("M1", f"k{number}", {"standing": "open"}, {"standing": "overdue"})
    second.move("M2", "condition", {"condition": "in service"}, {"condition": "not to be relied on"})
    text = said(second, clock)
    assert "1 unit is no longer to be relied on 12 duties became overdue" in text
    assert "The gravest: - M2, Site MILL: was in service, now not to be relied on" in text
    assert f"and {changes.EACH + 1 - changes.GRAVEST} more changes: " in text


def test_changes_at_sites_of_others_are_not_told(fleet: Fleet, clock: Clock) -> None:
    fleet.site("MILL")
    fleet.site("POOL")
    fleet.person("M", "manager", ["MILL"])
    fleet.unit("M1", "MILL", "work due")
    fleet.unit("P1", "POOL", "work due")
    fleet.duty("M1", "look", "overdue", day(-1))
    weekly.post_owed(fleet.program, clock.now)
    clock.forward(days=6)
    fleet.move("P1", "look", {"standing": "open"}, {"standing": "overdue"})
    assert "Nothing, since" in said(fleet, clock)
