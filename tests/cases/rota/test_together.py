"""Properties of the rota put together: whatever the shifts, a walk over the hours finds the same people and gaps."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.cases.absences import Absence
from nightround.cases.rota.roster import FILE, TABLE, Rota, Shift, _Person

START = datetime(2026, 12, 28, tzinfo=UTC)  # over a year end
HOURS = 96
END = START + timedelta(hours=HOURS)
SITES = frozenset({1, 2})
# Whose sites are: all, the first, the second; and one whom no letter reaches.
PEOPLE = {
    1: _Person("P1", True, True, frozenset(), True),
    2: _Person("P2", True, False, frozenset({1}), True),
    3: _Person("P3", True, False, frozenset({2}), True),
    4: _Person("P4", False, True, frozenset(), True),
}


def _shifts(source: str) -> st.SearchStrategy[list[Shift]]:
    def shift(person: int, start: int, hours: int) -> Shift:
        from_at = START + timedelta(hours=start)
        return Shift(person, from_at, from_at + timedelta(hours=hours), source)

    return st.lists(
        st.builds(shift, st.sampled_from(sorted(PEOPLE)), st.integers(-20, HOURS), st.integers(1, 40)), max_size=5
    )


def _absence(person: int, day: int, days: int) -> Absence:
    from_at = START + timedelta(days=day)
    until_at = from_at + timedelta(days=days)
    return Absence(1, person, PEOPLE[person].code, from_at.date(), until_at.date(), "", from_at, until_at)


_ABSENCE = st.builds(_absence, st.sampled_from(sorted(PEOPLE)), st.integers(-1, 4), st.integers(1, 2))


@settings(max_examples=80)
@given(_shifts(TABLE), _shifts(FILE), st.lists(_ABSENCE, max_size=2))
def test_a_walk_over_the_hours_finds_the_same(table: list[Shift], file: list[Shift], away: list[Absence]) -> None:
    ever = frozenset(shift.person_id for shift in (*table, *file))
    rota = Rota(START, END, table, file, PEOPLE, ever, SITES, SITES, away, (), True)
    listed = rota.shifts(START, END)
    gaps = rota.gaps(START, END)
    changes = []
    before = None
    for number in range(HOURS):
        at = START + timedelta(hours=number)
        everybody: set[int] = set()
        uncovered = False
        for site in SITES:
            serving = {person for person in ever if PEOPLE[person].serves(site)}
            told: set[int] = set()
            for shifts in (table, file):
                told = told or {s.person_id for s in shifts if s.from_at <= at < s.until_at and s.person_id in serving}
            assert rota.on_call(at, site) == told
            everybody |= told
            there = [
                person
                for person in told
                if PEOPLE[person].reached
                and not any(a.person_id == person and a.from_at <= at < a.until_at for a in away)
            ]
            if not there and (serving or not ever):
                uncovered = True
        assert rota.on_call(at) == everybody == {s.person_id for s in listed if s.from_at <= at < s.until_at}
        assert rota.on_call_among(at, SITES) == everybody
        assert uncovered == any(start <= at < end for start, end in gaps)
        if before is not None and everybody != before:
            changes.append(at)
        before = everybody
    assert all(one[1] < two[0] for one, two in itertools.pairwise(gaps))
    assert rota.next_change(START) == (changes[0] if changes else None)
