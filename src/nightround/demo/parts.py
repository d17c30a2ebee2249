"""What stands fitted in an invented unit, and since when. Days count from the day the fleet is invented for."""

from __future__ import annotations

import random
from typing import NamedTuple


class Model(NamedTuple):
    """What the generator must know of a device model; the sheets under `config/models` say the rest."""

    name: str
    serial: str
    pads: tuple[str, ...]
    standby_days: int
    bars: int  # of the battery window; 0: it says ok or low


MODELS: tuple[Model, ...] = (
    Model("Tarnlight Five", "TF", ("pads-adult",), 1826, 4),
    Model("Quennick S", "QS", ("pads-universal",), 1095, 0),
    Model("Orrel Twin", "OT", ("pads-adult", "pads-child"), 1461, 3),
    Model("Bexwater 2", "BX", ("pads-adult",), 1461, 0),  # no sheet: what the manual says was never entered
)
_SHARES = (0, 0, 1, 0, 2, 0, 0, 1, 0, 0, 2, 0, 0, 0, 1, 0, 0, 3, 0, 1)


def model_of(number: int) -> Model:
    """The model of the unit with that number."""
    return MODELS[_SHARES[number % len(_SHARES)]]


class Set(NamedTuple):
    """A part while it is fitted: from the day `fitted`; `label` is its last good day, None: nobody wrote it down."""

    fitted: int
    label: int | None
    lot: str


class Plan(NamedTuple):
    """`sets` holds, for each kind of part, its sets, the oldest first; the last is fitted now."""

    made: int
    service: int
    sets: dict[str, list[Set]]

    def fitted_on(self, day: int, kind: str) -> Set:
        """The set that was fitted on that day."""
        sets = self.sets[kind]
        return next((worn for worn in reversed(sets) if worn.fitted <= day), sets[0])


NEW = ("never checked", "nothing recorded")  # stories of units that have only just come


def plan(rng: random.Random, story: str, model: Model) -> Plan:
    """When the unit was made and put in service, and its parts since, as the story has it."""
    service = -rng.randint(420, 2900)
    if story in NEW:
        service = -rng.randint(8, 25)
    elif story == "well" and rng.random() < 0.08:
        service = -rng.randint(40, 300)
    label = _pads_label(rng, story)
    battery_fitted, battery_label = _battery_dates(rng, story, model.standby_days)
    if story in NEW:
        battery_fitted = service
    else:
        service = min(service, (label or 0) - 500, battery_fitted)
    made = service - rng.randint(40, 250)
    sets = {}
    for kind in model.pads:
        # Child pads hang beside the others and share one window: where that shows an end, both are near it.
        apart = kind == "pads-child" and not story.startswith("pads due")
        sets[kind] = _pads(rng, story, service, rng.randint(150, 700) if apart else label)
    sets["battery"] = _battery(rng, service, battery_fitted, battery_label)
    return Plan(made, service, sets)


def lot(rng: random.Random) -> str:
    """A lot number."""
    return f"{rng.choice('ABCDEFGHKLMNPRT')}{rng.randrange(10_000, 100_000)}"


def _pads_label(rng: random.Random, story: str) -> int | None:
    if story == "pads past":
        return -rng.choice((rng.randint(2, 45), rng.randint(46, 400), rng.randint(401, 900)))
    if story.startswith("pads due"):
        return rng.randint(18, 84)
    if story in ("pads date not recorded", "nothing recorded"):
        return None
    if story in ("used and restored", "used, not restored"):
        return rng.randint(500, 800)
    return rng.randint(130, 760)


def _battery_dates(rng: random.Random, story: str, standby: int) -> tuple[int, int | None]:
    """The day on which the battery was fitted and its label's last good day."""
    fitted = -rng.randint(20, standby - 280)
    if story == "battery past":
        return -standby - rng.randint(30, 200), -rng.randint(4, 300)
    if story == "battery standby over":
        return -standby - rng.randint(12, 90), rng.randint(120, 300)
    if story in ("battery date not recorded", "nothing recorded"):
        return fitted, None
    return fitted, max(fitted + standby + rng.randint(0, 300), 160)


def _pads(rng: random.Random, story: str, service: int, label: int | None) -> list[Set]:
    """The pads fitted now and the sets before them, back to the day the unit was put in service."""
    fitted = -rng.randint(60, 500) if label is None else label - rng.randint(860, 1050)
    if story == "used and restored":
        fitted = -rng.randint(150, 300)
    fitted = min(max(fitted, service), -5)
    sets = [Set(fitted, label, lot(rng))]
    while sets[0].fitted > service:
        old_label = sets[0].fitted + rng.randint(-6, 35)
        old_fitted = max(service, old_label - rng.randint(860, 1050))
        if sets[0].fitted - old_fitted < 30:
            old_fitted = service
        sets.insert(0, Set(old_fitted, old_label, lot(rng)))
    return sets


def _battery(rng: random.Random, service: int, fitted: int, label: int | None) -> list[Set]:
    sets = [Set(max(fitted, service), label, lot(rng))]
    if sets[0].fitted > service:
        sets.insert(0, Set(service, sets[0].fitted + rng.randint(5, 60), lot(rng)))
    return sets
