"""An invented safety notice for the invented fleet: it means a few units, and of one the record cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from .rows import HEADERS, Row

FILE = "notice.toml"
_MEANT = 3  # units of the first block, where it has as many


def write_notice(units: Sequence[Row], on: date) -> str:
    """The notice as a TOML file. `units`: rows of the first block; `on`: the day the fleet is invented for.

    It is about a model of which one unit has nothing recorded, and about days between which others were made.
    """
    place = {name: number for number, name in enumerate(HEADERS["units"])}
    thin = [row for row in units if not row[place["made_on"]]]
    model = (thin or list(units))[0][place["model"]]
    made = sorted(row[place["made_on"]] for row in units if row[place["model"]] == model and row[place["made_on"]])
    middle = max(0, len(made) // 2 - 1)
    meant = made[middle : middle + _MEANT] or [_day(on, -900), _day(on, -600)]
    return f"""# An invented notice about an invented device: nightround notice add {FILE}
reference = "FSN-DEMO-1"
version = 1
class = "II"
title = "The lid switch may stick, so that the unit does not start when it is opened"
source = "Invented letter of the invented maker"
issued_by = "manufacturer"
published_on = {_day(on, -20)}
received_on = {_day(on, -16)}
action = "inspect"
what_to_do = "Open the lid three times; where the unit does not start each time, withdraw it and call the maker."
underway_by = {_day(on, 9)}
complete_by = {_day(on, 40)}

[[concerns]]
models = ["{model}"]
made = [{{ from = {meant[0]}, to = {meant[-1]} }}]
"""


def _day(on: date, days: int) -> str:
    return (on + timedelta(days=days)).isoformat()
