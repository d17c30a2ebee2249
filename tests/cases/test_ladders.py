"""Where a case stands on its ladder, step by step, with people made up on the spot. No database."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.cases.hours import Hours, Times
from nightround.cases.ladders import (
    NOT_QUIET,
    WORKING,
    Climb,
    Ladder,
    Step,
    View,
    go_on,
    next_move,
    ready,
    restart,
    start,
)
from nightround.waits import read

TIMES = Times(time(8), time(18), time(21), time(7), time(7))
LONDON = Hours(TIMES, "Europe/London", "GB", "ENG")
TOKYO = Hours(TIMES, "Asia/Tokyo", "JP")


class People:
    """Who can be reached at each step, and at which steps letters get through."""

    def __init__(self, *rungs: list[Hours], lost: frozenset[int] = frozenset()) -> None:
        self.rungs = rungs
        self.lost = lost

    def reached(self, rung: int) -> bool:
        return bool(self.rungs[rung])

    def gets_through(self, climb: Climb) -> bool:
        return bool(self.rungs[climb.rung]) and climb.rung not in self.lost

    def hours(self, rung: int) -> list[Hours]:
        return self.rungs[rung]


def step(after: str, repeat: str | None = None, stop_after: int | None = None) -> Step:
    return Step(("on-call",), read(after), read(repeat, cadence=True) if repeat else None, stop_after)


def ladder(*steps: Step, severity: str = "urgent", told: str = "at any hour", again: str = "daily") -> Ladder:
    return Ladder(severity, told, steps, read(again, cadence=True))


def advance(on: Ladder, climb: Climb, now: datetime, people: View, grade: str = "") -> Climb:
    """Where the case stands now; what comes next is left out."""
    return go_on(on, climb, now, people, grade)[0]


def at(day: int, hour: int, minute: int = 0, month: int = 11, year: int = 2026) -> datetime:
    """A wall time in London."""
    return datetime(year, month, day, hour, minute, tzinfo=ZoneInfo("Europe/London")).astimezone(UTC)


def walk(
    on: Ladder, people: People, first: datetime, hours: float, severity: str = "urgent"
) -> list[tuple[datetime, tuple[int, int, int]]]:
    """When the case comes to each step, found by looking every ten minutes, as the service does."""
    climb = start(severity, first)
    seen = []
    now = first
    while now <= first + timedelta(hours=hours):
        was, climb = climb, advance(on, climb, now, people)
        if climb[:3] != was[:3]:
            seen.append((now, climb[:3]))
        now += timedelta(minutes=10)
    return seen


def test_steps_follow_one_another_and_the_ladder_begins_again_at_the_top() -> None:
    on = ladder(step("0 minutes"), step("4 hours"), step("20 hours", "daily", 2))
    three = People([LONDON], [LONDON], [LONDON])
    assert walk(on, three, at(25, 2, 10), 24 * 4) == [
        (at(25, 2, 10), (0, 0, 0)),
        (at(25, 6, 10), (0, 1, 0)),
        (at(26, 2, 10), (0, 2, 0)),
        (at(27, 7), (0, 2, 1)),
        (at(28, 7), (1, 0, 0)),
        (at(28, 11), (1, 1, 0)),
    ]


def test_a_step_that_reaches_nobody_is_passed_over_at_once() -> None:
    on = ladder(step("0 minutes"), step("4 hours"), step("20 hours"))
    assert walk(on, People([], [LONDON], [LONDON]), at(25, 2, 10), 1) == [(at(25, 2, 10), (0, 1, 0))]
    assert walk(on, People([], [], [LONDON]), at(25, 2, 10), 1) == [(at(25, 2, 10), (0, 2, 0))]


def test_where_nobody_at_all_can_be_reached_it_waits_where_it_is() -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    climb = start("urgent", at(25, 2))
    assert advance(on, climb, at(29, 2), People([], [])) == climb


def test_a_letter_that_was_given_up_moves_it_on_at_once() -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    begun = advance(on, start("urgent", at(25, 2)), at(25, 2), People([LONDON], [LONDON]))
    gone_on = advance(on, begun, at(25, 2, 20), People([LONDON], [LONDON], lost=frozenset({0})))
    assert (gone_on[:3], gone_on.since) == ((0, 1, 0), at(25, 2, 20))


def test_where_no_letter_gets_through_to_anybody_it_is_tried_every_hour() -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    lost = People([LONDON], [LONDON], lost=frozenset({0, 1}))
    seen = walk(on, lost, at(25, 2), 2.5)
    # The first passes to the second at once; an hour later both again, and so on.
    assert [(when, step[0]) for when, step in seen] == [(at(25, 2), 0), (at(25, 3), 1), (at(25, 4), 2)]


def test_where_the_first_and_the_last_step_reach_nobody_it_does_not_begin_again_at_once() -> None:
    on = ladder(step("0 minutes"), step("0 minutes"), step("0 minutes"), again="daily")
    people = People([], [LONDON], [])
    assert walk(on, people, at(25, 2), 30) == [(at(25, 2), (0, 2, 0)), (at(26, 7), (1, 2, 0))]


def test_downtime_skips_no_step() -> None:
    on = ladder(step("0 minutes"), step("4 hours"), step("20 hours"))
    three = People([LONDON], [LONDON], [LONDON])
    begun = advance(on, start("urgent", at(25, 2)), at(25, 2), three)
    after = advance(on, begun, at(29, 2), three)
    assert (after[:3], after.since) == ((0, 1, 0), at(29, 2))
    assert advance(on, after, at(29, 21, 50), three)[:3] == (0, 1, 0)
    assert advance(on, after, at(29, 22), three)[:3] == (0, 2, 0)


def test_quiet_hours_put_off_the_step_and_what_follows_it() -> None:
    on = ladder(step("0 minutes"), step("2 hours"), severity="soon", told=NOT_QUIET)
    people = People([LONDON], [LONDON])
    begun = advance(on, start("soon", at(25, 2)), at(25, 2), people)
    assert (begun[:3], begun.since) == ((0, 0, 0), at(25, 7))
    assert ready(on, begun, LONDON, at(25, 2)) == at(25, 7)
    assert advance(on, begun, at(25, 8, 59), people)[:3] == (0, 0, 0)
    assert advance(on, begun, at(25, 9), people)[:3] == (0, 1, 0)


def test_working_hours_wait_for_the_end_of_a_holiday_weekend() -> None:
    """Christmas 2026 in England: Friday 25 December, its Monday substitute 28 December."""
    on = ladder(step("0 minutes"), step("4 working hours"), severity="routine", told=WORKING)
    people = People([LONDON], [LONDON])
    begun = advance(on, start("routine", at(24, 19, month=12)), at(24, 19, month=12), people)
    assert begun.since == at(29, 8, month=12)
    move = next_move(on, begun, at(29, 8, month=12), people)
    assert move is not None and move.at == at(29, 12, month=12)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (at(27, 22, month=3, year=2027), at(28, 3, month=3, year=2027)),  # the clock goes forward at one
        (at(30, 22, month=10, year=2027), datetime(2027, 10, 31, 1, tzinfo=UTC)),  # and back at two
        (at(28, 22, month=2, year=2028), at(29, 2, month=2, year=2028)),  # leap day
        (at(31, 22, month=12, year=2026), at(1, 2, month=1, year=2027)),  # year end
    ],
)
def test_elapsed_hours_are_elapsed(first: datetime, second: datetime) -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    people = People([LONDON], [LONDON])
    begun = advance(on, start("urgent", first), first, people)
    move = next_move(on, begun, first, people)
    assert move is not None and move.at == first + timedelta(hours=4) == second


def test_daily_repeats_keep_the_wall_time_over_both_changes_of_the_clock() -> None:
    on = ladder(step("0 minutes", "daily", 5))
    for first, days in (
        (at(27, 9, month=3, year=2027), [at(d, 7, month=3, year=2027) for d in (28, 29, 30, 31)]),
        (
            at(30, 9, month=10, year=2027),
            [at(31, 7, month=10, year=2027), *(at(d, 7, month=11, year=2027) for d in (1, 2, 3))],
        ),
    ):
        assert [when for when, _ in walk(on, People([LONDON]), first, 24 * 4)] == [first, *days]


def test_a_daily_repeat_comes_at_each_readers_own_hour() -> None:
    on = ladder(step("0 minutes", "daily", 5))
    people = People([LONDON, TOKYO])
    begun = advance(on, start("urgent", at(25, 9)), at(25, 9), people)
    turn = advance(on, begun, at(25, 22), people)  # 07:00 of the 26th in Tokyo
    assert turn[:3] == (0, 0, 1)
    assert ready(on, turn, TOKYO, at(25, 22)) == at(25, 22)
    assert ready(on, turn, LONDON, at(25, 22)) == at(26, 7)


def test_a_repeat_found_late_is_told_at_once_and_the_next_keeps_its_hour() -> None:
    on = ladder(step("0 minutes", "daily", 9))
    people = People([LONDON])
    begun = advance(on, start("urgent", at(20, 9)), at(20, 9), people)
    late = advance(on, begun, at(24, 10), people)
    assert late[:3] == (0, 0, 1) and ready(on, late, LONDON, at(24, 10)) == at(24, 10)
    move = next_move(on, late, at(24, 10), people)
    assert move is not None and move.at == at(25, 7)


def test_a_case_that_gets_worse_begins_at_the_top_of_the_other_ladder() -> None:
    soon = ladder(step("0 minutes", "daily"), step("3 working days", "daily", 2), severity="soon")
    urgent = ladder(step("0 minutes"), step("4 hours"))
    people = People([LONDON], [LONDON])
    climb = advance(soon, start("soon", at(24, 9)), at(24, 9), people)
    worse = advance(urgent, climb, at(24, 12), people)
    assert (worse[:3], worse.why) == ((1, 0, 0), "raised")
    better = advance(soon, worse, at(24, 12, 10), people)
    assert better[:3] == (1, 0, 0) and better.severity == "soon"


def test_what_has_become_long_overdue_begins_at_the_top_of_its_ladder_once() -> None:
    soon = ladder(step("0 minutes", "daily"), step("3 working days", "daily", 2), severity="soon")
    people = People([LONDON], [LONDON])
    climb = advance(soon, start("soon", at(24, 9)), at(24, 9), people, "soon")
    climb = advance(soon, climb, at(27, 18), people, "soon")
    assert climb[:3] == (0, 1, 0)
    longer = advance(soon, climb, at(28, 9), people, "long")
    assert (longer[:3], longer.why, longer.severity) == ((1, 0, 0), "long", "long")
    assert advance(soon, longer, at(28, 12), people, "long") == longer
    less = advance(soon, longer, at(28, 13), people, "soon")
    assert less[:3] == (1, 0, 0), "one of its duties was done: nobody is told for that"
    assert advance(soon, less, at(28, 14), people, "long").why == "long"
    assert advance(soon, start("long", at(24, 9)), at(24, 9), people, "long")[:3] == (0, 0, 0)


def test_what_is_long_overdue_is_less_than_what_is_urgent() -> None:
    urgent = ladder(step("0 minutes"), step("4 hours"))
    people = People([LONDON], [LONDON])
    climb = advance(urgent, start("long", at(24, 9)), at(24, 9), people)
    assert (climb[:3], climb.why) == ((1, 0, 0), "raised")


def test_a_clock_that_went_back_keeps_nobody_waiting() -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    people = People([LONDON], [LONDON])
    begun = advance(on, start("urgent", at(29, 9)), at(29, 9), people)
    back = advance(on, begun, at(25, 9), people)
    assert back.since == at(25, 9)
    assert advance(on, back, at(25, 13), people)[:3] == (0, 1, 0)


def test_after_somebody_had_it_the_ladder_begins_at_the_top_when_their_time_is_over() -> None:
    on = ladder(step("0 minutes"), step("4 hours"))
    people = People([LONDON], [LONDON])
    climb = restart(advance(on, start("urgent", at(25, 2)), at(25, 7), people), at(26, 9), "taken")
    assert advance(on, climb, at(26, 9), people)[:3] == (1, 0, 0)


@settings(max_examples=150, deadline=None)
@given(
    told=st.sampled_from(["at any hour", NOT_QUIET, WORKING]),
    waits=st.lists(
        st.sampled_from(["0 minutes", "30 minutes", "4 hours", "3 working hours", "1 working day"]),
        min_size=1,
        max_size=4,
    ),
    repeats=st.lists(st.sampled_from([None, "daily", "2 hours"]), min_size=4, max_size=4),
    looks=st.lists(st.integers(1, 3000), min_size=1, max_size=40),
    empty=st.sets(st.integers(0, 3)),
)
def test_it_only_ever_goes_forward_and_is_never_stuck(
    told: str, waits: list[str], repeats: list[str | None], looks: list[int], empty: set[int]
) -> None:
    steps = [step(wait, repeats[index], 2 if repeats[index] else None) for index, wait in enumerate(waits)]
    on = ladder(*steps, told=told)
    people = People(*([] if index in empty else [LONDON] for index in range(len(steps))))
    now = at(24, 9)
    climb = start("urgent", now)
    for minutes in looks:
        was, climb = climb, advance(on, climb, now, people)
        assert climb[:3] >= was[:3]
        if climb[:3] != was[:3] and climb.rung == was.rung and climb.lap == was.lap:
            assert climb.turn == was.turn + 1  # no repeat is left out
        move = next_move(on, climb, now, people)
        if any(people.rungs):
            # Whatever it waits for is ahead, and not further than a holiday weekend and the longest wait.
            assert move is not None and now < move.at < now + timedelta(days=9)
        assert advance(on, climb, now, people) == climb  # looking twice changes nothing
        now += timedelta(minutes=minutes)
