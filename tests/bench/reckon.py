"""Reckoning alone against `dateutil.relativedelta` on the same dates; then whole units with rules and reasons.

The peer adds months to a date and compares the answer with a day, and so do we. `with_reasons_seconds` is the time
for whole units: facts in, duties with every rule that asks for them out.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from dateutil.relativedelta import relativedelta

from nightround.reckoning.dates import last_good_day, working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.facts import Evidence, Part, Place, UnitFacts
from nightround.reckoning.rules import Shape, Span, binding
from nightround.rounds.rulebook import load as load_rulebook
from nightround.settings import load as load_settings

from .fleet import ON
from .measure import peak_rss_mb

MONTHS = (1, 2, 3, 6, 12, 24, 60)


def run(units: int = 100_000) -> dict[str, Any]:
    """Seconds for six dates a unit, ours and the peer's, the least of five runs each, taken by turns."""
    dice = random.Random(1)  # noqa: S311 - invented data
    dates = [ON - timedelta(days=dice.randint(0, 1500)) for _ in range(units)]
    ours, theirs = float("inf"), float("inf")
    assert _ours(dates[:2000]) == _theirs(dates[:2000])
    for _ in range(5):
        ours = min(ours, _timed(lambda: _ours(dates)))
        theirs = min(theirs, _timed(lambda: _theirs(dates)))
    place = Place("America/Los_Angeles", "US", "CA", "office")
    book = load_rulebook(load_settings(None))
    fleet = [_unit(n, dice) for n in range(units)]
    whole, duties = float("inf"), 0
    for _ in range(2):
        reckoner = Reckoner(place, binding(book.rules, place, ON), book.sheets, working_days("US", "CA"), ON)
        started = time.perf_counter()
        duties = sum(len(reckoner.unit(facts).duties) for facts in fleet)
        whole = min(whole, time.perf_counter() - started)
    return {
        "name": "reckon",
        "units": units,
        "dates": len(dates) * len(MONTHS),
        "seconds": round(ours, 4),
        "floor_seconds": round(theirs, 4),
        "ratio": round(ours / theirs, 3),
        "faster_than_dateutil": round(theirs / ours, 1),
        "duties": duties,
        "with_reasons_seconds": round(whole, 3),
        "with_reasons_against_dateutil": round(whole / duties / (theirs / len(dates) / len(MONTHS)), 2),
        "peak_rss_mb": peak_rss_mb(),
    }


def _timed(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def _ours(dates: list[Any]) -> int:
    shapes = [Shape(Span.MONTHS, n) for n in MONTHS]
    return sum(last_good_day(shape, day) < ON for day in dates for shape in shapes)


def _theirs(dates: list[Any]) -> int:
    spans = [relativedelta(months=n) for n in MONTHS]
    return sum(day + span < ON for day in dates for span in spans)


def _unit(n: int, dice: random.Random) -> UnitFacts:
    parts = tuple(
        Part(n * 4 + k, kind, state, ON + timedelta(days=dice.randint(-30, 1500)), None)
        for k, (kind, state) in enumerate(
            (("pads-adult", "fitted"), ("battery", "fitted"), ("pads-adult", "spare"), ("kit-gloves", "fitted"))
        )
    )
    evidence = Evidence(
        looked_on=ON - timedelta(days=dice.randint(0, 80)), tested_on=ON - timedelta(days=dice.randint(0, 200))
    )
    return UnitFacts(f"U{n}", "", ON - timedelta(days=1000), parts, evidence)
