"""The number to call in an emergency, by the country of a place: from the settings, else from the shipped table.

Never makes one up: a wrong number in front of a patient is worse than none. The table, with the source of each number,
is `config/emergency/numbers.toml`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from functools import lru_cache
from typing import NamedTuple

from .resources import shipped
from .settings import Settings

UNKNOWN = "the emergency number"
_AT_MOST = 3  # numbers in one sentence; more help nobody


class Known(NamedTuple):
    """A row of the table for one country: the number, how the country is called in a sentence, and the source."""

    number: str
    country: str
    source: str


def number_of(settings: Settings, country: str) -> str:
    """The number that people call at a place in that country (ISO 3166-1, "" where none is on record); "" if unknown.

    `fleet.emergency_number` is for every place. A place without a country is in that of the fleet.
    """
    fleet = settings.fleet
    if fleet.emergency_number:
        return fleet.emergency_number
    where = country or fleet.country
    if said := fleet.emergency_numbers.get(where):
        return said
    known = table().get(where)
    return known.number if known is not None else ""


def words(settings: Settings, countries: Collection[str]) -> str:
    """The number in words that go after "call", for places in these countries; an empty collection is "anywhere".

    One number stands alone only where it is that of every place; else each is told with its country.
    """
    if settings.fleet.emergency_number:
        return settings.fleet.emergency_number
    found: dict[str, list[str]] = {}
    for country in sorted(countries):
        found.setdefault(number_of(settings, country), []).append(country)
    if len(found) == 1 and "" not in found:
        return next(iter(found))
    found.pop("", None)
    if not found:
        return UNKNOWN
    if len(found) > _AT_MOST:
        return f"{UNKNOWN} of the place"
    told = (f"{number} in {' and '.join(_called(settings, one) for one in of)}" for number, of in found.items())
    return f"{UNKNOWN} ({', '.join(told)})"


@lru_cache(maxsize=1)
def table() -> dict[str, Known]:
    """What is known of each country, by its code."""
    text = (shipped("emergency") / "numbers.toml").read_text("utf-8")
    found: dict[str, Known] = {}
    for row in tomllib.loads(text)["number"]:
        found.update((code, Known(row["number"], name, row["source"])) for code, name in row["countries"].items())
    return found


def _called(settings: Settings, country: str) -> str:
    where = country or settings.fleet.country
    known = table().get(where)
    return known.country if known is not None else where
