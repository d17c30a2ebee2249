"""Which part on record a part in a file is, for one kind in one unit: a table of cases, and what holds for all."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightround.reckoning.dates import month_end
from nightround.register.found import LabelDate
from nightround.register.matching import Held, Pairing, Told, pair

FITTED_ON = date(2024, 5, 2)


def held(number: int, state: str, lot: str = "", label: str = "", fitted_on: date | None = None) -> Held:
    good = month_end(date.fromisoformat(f"{label}-01")) if label else None
    return Held(number, "battery", state, lot, label, good, "typed" if label else "", fitted_on, "", "", False)


def told(state: str, lot: str = "", label: str = "", fitted_on: date | None = None) -> Told:
    good = LabelDate(label, month_end(date.fromisoformat(f"{label}-01"))) if label else None
    return Told(state, {"lot": lot or None, "label_date": good, "fitted_on": fitted_on})


def _said(pairing: Pairing) -> dict[str, object]:
    return {
        "known": {place: part.id for place, part in pairing.known.items()},
        "overtaken": {place: part.id for place, part in pairing.overtaken.items()},
        "displaced": [part.id for part in pairing.displaced],
        "left": [part.id for part in pairing.left],
    }


@pytest.mark.parametrize(
    ("file", "register", "known", "overtaken", "displaced", "left"),
    [
        # The same; corrected; new.
        ([told("fitted", "A", "2027-01")], [held(1, "fitted", "A", "2027-01")], {0: 1}, {}, [], []),
        ([told("fitted", "A", "2027-02")], [held(1, "fitted", "A", "2027-01")], {0: 1}, {}, [], []),
        ([told("fitted", "B", "2028-01")], [held(1, "fitted", "A", "2027-01")], {0: 1}, {}, [], []),
        ([told("fitted", "A", "2027-01")], [], {}, {}, [], []),
        # A spare beside a fitted one of the same lot is its own part.
        (
            [told("fitted", "A", "2027-01"), told("spare", "A", "2027-01")],
            [held(1, "fitted", "A", "2027-01")], {0: 1}, {}, [], [],
        ),
        # The spare went in; the old one is off. Where the file also says so, nothing is displaced.
        (
            [told("fitted", "B", "2029-01")],
            [held(1, "fitted", "A", "2027-01"), held(2, "spare", "B", "2029-01")], {0: 2}, {}, [1], [],
        ),
        (
            [told("fitted", "B", "2029-01"), told("removed", "A", "2027-01")],
            [held(1, "fitted", "A", "2027-01"), held(2, "spare", "B", "2029-01")], {0: 2, 1: 1}, {}, [], [],
        ),
        # The file was written before the log went on.
        (
            [told("fitted", "A", "2027-01", FITTED_ON), told("spare", "B", "2029-01")],
            [held(1, "removed", "A", "2027-01", FITTED_ON), held(2, "fitted", "B", "2029-01")],
            {}, {0: 1, 1: 2}, [], [],
        ),
        # Fitted again on another day is a new fitting.
        (
            [told("fitted", "A", "2027-01", date(2026, 1, 1))],
            [held(1, "removed", "A", "2027-01", FITTED_ON)], {}, {}, [], [],
        ),
        # What nobody named cannot have been taken off before.
        ([told("fitted")], [held(1, "removed")], {}, {}, [], []),
        # But where another one is fitted since, an empty cell does not speak of that one.
        (
            [told("fitted")], [held(1, "removed"), held(2, "fitted", "B", "2029-01")], {}, {0: 1}, [], [2],
        ),
        # History is never written over.
        ([told("removed", "C", "2020-01")], [held(1, "removed", "A", "2019-01")], {}, {}, [], []),
        # Not told of: left on record; what is removed is not missed.
        ([], [held(1, "fitted", "A", "2027-01"), held(2, "removed", "B"), held(3, "spare")], {}, {}, [], [1, 3]),
    ],
)  # fmt: skip
def test_parts_are_paired(
    file: list[Told],
    register: list[Held],
    known: dict[int, int],
    overtaken: dict[int, int],
    displaced: list[int],
    left: list[int],
) -> None:
    assert _said(pair(file, register)) == {
        "known": known, "overtaken": overtaken, "displaced": displaced, "left": left
    }  # fmt: skip


STATES = st.sampled_from(["fitted", "spare", "removed"])
LOTS, LABELS = st.sampled_from(["", "A", "B"]), st.sampled_from(["", "2027-01", "2028-02"])
DAYS = st.sampled_from([None, FITTED_ON, date(2026, 1, 1)])


@given(
    st.lists(st.builds(told, STATES, LOTS, LABELS, DAYS), max_size=5),
    st.lists(st.tuples(STATES, LOTS, LABELS, DAYS), max_size=5),
)
def test_each_part_is_paired_once_and_a_fitted_one_is_never_doubled(
    file: list[Told], register: list[tuple[str, str, str, date | None]]
) -> None:
    fitted = [one for one in file if one.state == "fitted"]
    file = [one for one in file if one.state != "fitted"] + fitted[:1]
    on_record = [held(number, *one) for number, one in enumerate(register)]
    kept = [part for part in on_record if part.state != "fitted"]
    on_record = kept + [part for part in on_record if part.state == "fitted"][:1]
    pairing = pair(file, on_record)
    used = [
        part.id for part in (*pairing.known.values(), *pairing.overtaken.values(), *pairing.displaced, *pairing.left)
    ]
    assert len(used) == len(set(used))
    assert not pairing.known.keys() & pairing.overtaken.keys()
    # What is fitted once the file is in: what it leaves as it is, and what it says.
    touched = {part.id: file[place].state for place, part in pairing.known.items()}
    after = [touched.get(part.id, part.state) for part in on_record if part not in pairing.displaced]
    new = [one.state for place, one in enumerate(file) if place not in {*pairing.known, *pairing.overtaken}]
    assert (after + new).count("fitted") <= 1


@given(st.lists(st.tuples(STATES, LOTS, LABELS, DAYS), max_size=6))
def test_what_is_on_record_is_told_again_and_found_unchanged(register: list[tuple[str, str, str, date | None]]) -> None:
    on_record = [held(number, *one) for number, one in enumerate(register)]
    file = [told(*one) for one in register]
    pairing = pair(file, on_record)
    assert len(pairing.known) == len(file)
    for place, part in pairing.known.items():
        assert register[place] == register[part.id]
