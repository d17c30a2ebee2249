"""Which sites are closed on a day: dates, seasons over New Year and on 29 February, spells that follow on."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import insert

from nightround.bootstrap import Program
from nightround.register.closures import Closure, closed, spell_on
from nightround.store.tables import closures
from tests.cases.rota.build import settle


def _closure(first: str, last: str | None, yearly: bool = False) -> Closure:
    return Closure(1, 1, date.fromisoformat(first), date.fromisoformat(last) if last else None, yearly, "")


def _last(on: str, *held: Closure) -> object:
    found = spell_on(held, date.fromisoformat(on))
    return "open" if found is None else found[1] and found[1].isoformat()


def test_both_days_of_a_closure_are_closed() -> None:
    week = _closure("2026-12-21", "2026-12-27")
    assert [_last(day, week) for day in ("2026-12-20", "2026-12-21", "2026-12-27", "2026-12-28")] == [
        "open", "2026-12-27", "2026-12-27", "open",
    ]  # fmt: skip


def test_without_a_last_day_it_is_closed_until_further_notice() -> None:
    assert _last("2031-01-01", _closure("2026-12-21", None)) is None
    assert _last("2026-12-20", _closure("2026-12-21", None)) == "open"


def test_a_season_over_new_year_comes_again_every_year_from_its_first_on() -> None:
    winter = _closure("2026-10-15", "2027-03-31", yearly=True)
    assert _last("2026-01-10", winter) == "open"  # before the first
    assert _last("2026-12-31", winter) == "2027-03-31"
    assert _last("2027-01-01", winter) == "2027-03-31"
    assert _last("2027-04-01", winter) == "open"
    assert _last("2041-02-01", winter) == "2041-03-31"
    assert _last("2041-10-14", winter) == "open"
    assert _last("2041-10-15", winter) == "2042-03-31"


def test_a_season_on_29_february_is_on_28_february_in_other_years() -> None:
    # RFC 7529 SKIP=BACKWARD, as everywhere here: never later than what was written.
    ends = _closure("2027-12-01", "2028-02-29", yearly=True)
    assert (_last("2028-02-29", ends), _last("2029-02-28", ends), _last("2029-03-01", ends)) == (
        "2028-02-29", "2029-02-28", "open",
    )  # fmt: skip
    begins = _closure("2028-02-29", "2028-03-10", yearly=True)
    assert (_last("2029-02-27", begins), _last("2029-02-28", begins)) == ("open", "2029-03-10")
    assert (_last("2032-02-28", begins), _last("2032-02-29", begins)) == ("open", "2032-03-10")


def test_closures_without_an_open_day_between_them_are_one_spell() -> None:
    held = (
        _closure("2026-12-21", "2026-12-31"),
        _closure("2027-01-01", "2027-01-06"),
        _closure("2026-12-30", "2027-01-02"),
    )
    assert _last("2026-12-24", *held) == "2027-01-06"
    assert _last("2027-01-06", *held) == "2027-01-06"
    assert _last("2027-01-07", *held) == "open"


def test_seasons_that_leave_no_open_day_have_no_end_and_a_long_closure_has_its_own() -> None:
    always = (_closure("2026-01-01", "2026-06-30", yearly=True), _closure("2026-07-01", "2026-12-31", yearly=True))
    assert _last("2026-11-25", *always) is None
    assert _last("2026-11-25", _closure("2026-01-01", "2036-01-01")) == "2036-01-01"


@settings(max_examples=80)
@given(
    held=st.lists(
        st.tuples(st.dates(date(2024, 1, 1), date(2027, 12, 31)), st.integers(0, 200), st.booleans()), max_size=4
    ),
    on=st.dates(date(2024, 1, 1), date(2029, 12, 31)),
)
def test_a_spell_is_what_a_walk_over_the_days_finds(held: list[tuple[date, int, bool]], on: date) -> None:
    listed = [
        Closure(n, 1, first, first + timedelta(days=days), yearly, "") for n, (first, days, yearly) in enumerate(held)
    ]

    def is_closed(day: date) -> bool:
        for closure in listed:
            assert closure.until_on is not None
            years = range(0, 12) if closure.every_year else range(1)
            for more in years:
                first, last = (_in_year(end, more) for end in (closure.from_on, closure.until_on))
                if first <= day <= last:
                    return True
        return False

    found = spell_on(listed, on)
    if not is_closed(on):
        assert found is None
        return
    day = on
    while is_closed(day) and day < on + timedelta(days=1000):
        day += timedelta(days=1)
    assert found is not None
    if day < on + timedelta(days=700):
        assert found[1] == day - timedelta(days=1)
    elif day == on + timedelta(days=1000):
        assert found[1] is None


def _in_year(day: date, more: int) -> date:
    try:
        return day.replace(year=day.year + more)
    except ValueError:
        return date(day.year + more, 2, 28)


@pytest.mark.parametrize(("on", "expected"), [
    ("2026-12-24", {1: date(2026, 12, 27), 2: None}), ("2026-12-28", {2: None}), ("2026-11-25", {}),
])  # fmt: skip
def test_the_sites_closed_on_a_day(program: Program, on: str, expected: dict[int, date | None]) -> None:
    settle(program)
    with program.store.write() as conn:
        conn.execute(insert(closures).values(site_id=1, from_on=date(2026, 12, 21), until_on=date(2026, 12, 27)))
        conn.execute(insert(closures).values(site_id=2, from_on=date(2026, 12, 1), reason="rebuilt"))
    with program.store.read() as conn:
        assert closed(conn, date.fromisoformat(on)) == expected
