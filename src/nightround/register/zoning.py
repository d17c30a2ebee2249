"""Which countries there are and which time zones they keep, from the tz database's own tables. It never guesses one.

ISO 3166-1 codes and zones by country: `iso3166.tab` and `zone.tab` of the tz database, in which the zone of most of a
country's people comes first where that is possible.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo

# Codes that ISO 3166-1 leaves to its users: AA, QM to QZ, XA to XZ (XK among them), ZZ.
_USERS = {"AA", "ZZ"} | {f"Q{letter}" for letter in "MNOPQRSTUVWXYZ"} | {f"X{chr(n)}" for n in range(65, 91)}
_MEANT = {"UK": "GB", "EL": "GR", "SF": "FI", "EN": "GB"}  # taken for country codes again and again
_YEARS = 5
_STEP = timedelta(hours=3)


def is_country(code: str) -> bool:
    """Whether ISO 3166-1 has the code or leaves it to its users."""
    return code in _countries() or code in _USERS


def country_cure(code: str) -> str:
    """What to say of a code that no country has."""
    meant = _MEANT.get(code)
    hint = f"; {_countries()[meant]} is {meant}" if meant else ""
    return f"is no country of ISO 3166-1{hint}; write its two letters, such as DE"


@cache
def zones_of(country: str) -> tuple[str, ...]:
    """The country's zones, as the tz database lists them; none for a country it does not know."""
    return tuple(zone for code, zone in _zones() if code == country)


def only_zone(country: str, year: int) -> str | None:
    """The country's zone, where all its zones keep the same time from that year on; else None."""
    zones = zones_of(country)
    if zones and all(same_time(zones[0], zone, year) for zone in zones[1:]):
        return zones[0]
    return None


def keeps(country: str, zone: str, year: int) -> bool:
    """Whether some part of the country keeps that zone's time; True where nothing is known of the country."""
    zones = zones_of(country)
    return not zones or zone in zones or any(same_time(zone, theirs, year) for theirs in zones)


@cache
def same_time(one: str, other: str, year: int) -> bool:
    """Whether clocks in both zones show the same throughout five years from that year on."""
    first, second = ZoneInfo(one), ZoneInfo(other)
    at, end = datetime(year, 1, 1, tzinfo=UTC), datetime(year + _YEARS, 1, 1, tzinfo=UTC)
    while at < end:
        if at.astimezone(first).utcoffset() != at.astimezone(second).utcoffset():
            return False
        at += _STEP
    return True


@cache
def _countries() -> dict[str, str]:
    return {code: name for code, name, *_ in _lines("iso3166.tab")}


@cache
def _zones() -> tuple[tuple[str, str], ...]:
    return tuple((fields[0], fields[2]) for fields in _lines("zone.tab"))


def _lines(name: str) -> Iterator[list[str]]:
    for line in (files("tzdata") / "zoneinfo" / name).read_text("utf-8").splitlines():
        if line and not line.startswith("#"):
            yield line.split("\t")
