"""A large fleet for benchmarks, written straight into the tables: shaped like a real one, invented throughout.

Six duties a unit: look, test, pads, battery, a spare and a kit part, with dates spread over years so that nothing can
be answered from one cached value.
"""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import insert

from nightround.store.database import Store
from nightround.store.tables import evidence, parts, sites, units

ON = date(2026, 11, 25)
NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
BATCH = 5000
_KINDS = (("pads-adult", "fitted"), ("battery", "fitted"), ("pads-adult", "spare"), ("kit-gloves", "fitted"))


def build(store: Store, count: int, seed: int = 1) -> None:
    """Writes `count` units on a tenth as many sites, with parts and evidence, all in one zone of the United States."""
    dice = random.Random(seed)  # noqa: S311 - invented data
    places = max(1, count // 10)
    site_rows = [
        {
            "site": f"S{n:06}",
            "name": f"Site {n}",
            "time_zone": "America/Los_Angeles",
            "country": "US",
            "subdivision": "CA",
            "site_type": "office",
        }
        for n in range(1, places + 1)
    ]
    with store.write() as conn:
        for start in range(0, places, BATCH):
            conn.execute(insert(sites), site_rows[start : start + BATCH])
    for start in range(1, count + 1, BATCH):
        ids = range(start, min(start + BATCH, count + 1))
        with store.write() as conn:
            conn.execute(insert(units), [_unit(n, places) for n in ids])
            conn.execute(insert(parts), [row for n in ids for row in _parts(n, dice)])
            conn.execute(insert(evidence), [_evidence(n, dice) for n in ids])


def _unit(n: int, places: int) -> dict[str, Any]:
    return {
        "unit": f"U{n:06}",
        "site_id": (n - 1) % places + 1,
        "spot": f"corridor {n % 40}",
        "model": "",
        "serial": f"{n:08}",
        "in_service_on": date(2022, 1, 1) + timedelta(days=n % 1200),
        "label": f"label{n:015}",
    }


def _parts(n: int, dice: random.Random) -> list[dict[str, Any]]:
    rows = []
    for kind, state in _KINDS:
        good = ON + timedelta(days=dice.randint(-30, 1500))
        rows.append(
            {
                "unit_id": n,
                "kind": kind,
                "state": state,
                "lot": f"L{dice.randint(1, 9999)}",
                "label_date": str(good),
                "last_good_day": good,
                "fitted_on": good - timedelta(days=1700),
                "read_from": "typed",
            }
        )
    return rows


def _evidence(n: int, dice: random.Random) -> dict[str, Any]:
    return {
        "unit_id": n,
        "looked_on": ON - timedelta(days=dice.randint(0, 80)),
        "tested_on": ON - timedelta(days=dice.randint(0, 200)),
    }
