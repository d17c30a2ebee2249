"""Which part of a site's units each of its spares is promised to."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from nightround.reckoning.facts import Part
from nightround.reckoning.sharing import Claim, promised

TODAY = date(2026, 11, 25)
DAYS = st.integers(-5, 20).map(lambda n: TODAY + timedelta(days=n))
KINDS = st.sampled_from(("pads-adult", "battery"))
CLAIMS = st.lists(st.tuples(DAYS, KINDS), max_size=6).map(
    lambda drawn: [Claim(good, f"U{n}", kind, n) for n, (good, kind) in enumerate(drawn)]
)
SPARES = st.lists(st.tuples(st.none() | DAYS, KINDS), max_size=6).map(
    lambda drawn: [Part(n, kind, "spare", good, None) for n, (good, kind) in enumerate(drawn)]
)


@given(CLAIMS, SPARES, st.randoms(use_true_random=False))
def test_each_spare_serves_one_part_that_it_outlasts_in_whatever_order_they_come(claims, spares, random):  # type: ignore[no-untyped-def]
    found = promised(TODAY, spares, claims)
    left = [(spare.kind, spare.last_good_day) for spare in spares]
    for claim, good in found.items():
        assert good > claim.last_good_day
        assert good >= TODAY
        left.remove((claim.kind, good))  # raises where one is promised twice
    random.shuffle(claims)
    random.shuffle(spares)
    assert promised(TODAY, spares, claims) == found


@given(CLAIMS, SPARES)
def test_as_many_parts_are_served_as_can_be(claims: list[Claim], spares: list[Part]) -> None:
    assert len(promised(TODAY, spares, claims)) == _most(claims, spares)


def _most(claims: list[Claim], spares: list[Part]) -> int:
    """By trying every way."""
    if not claims:
        return 0
    first, *rest = claims
    most = _most(rest, spares)
    for n, spare in enumerate(spares):
        good = spare.last_good_day
        if spare.kind == first.kind and good is not None and good >= TODAY and good > first.last_good_day:
            most = max(most, 1 + _most(rest, [*spares[:n], *spares[n + 1 :]]))
    return most


def test_of_two_that_end_on_one_day_the_first_by_the_code_of_the_unit_is_served() -> None:
    claims = [Claim(TODAY, "B", "battery", 1), Claim(TODAY, "A", "battery", 2)]
    good = TODAY + timedelta(days=400)
    assert promised(TODAY, [Part(9, "battery", "spare", good, None)], claims) == {claims[1]: good}
