"""Sites as a file tells of them, against those on record. A new site gets a time zone here, or a problem."""

from __future__ import annotations

from typing import Any

from ..found import Row
from ..zoning import country_cure, is_country, keeps, only_zone, zones_of
from .comparison import Comparison, merged, text
from .known import Columns

FIELDS: tuple[tuple[str, Any], ...] = (
    ("name", ""),
    ("address", ""),
    ("latitude", None),
    ("longitude", None),
    ("subdivision", ""),
    ("site_type", ""),
    ("monthly_celsius", ""),
    ("responders", None),
    ("notes", ""),
)
_COMPARED = (*(name for name, _ in FIELDS), "time_zone", "country", "source")
# What decides which rules bind, which day it is, and how fast a battery drains.
_MATTERS = ("time_zone", "country", "subdivision", "site_type", "monthly_celsius")
_NEW: Columns = {**dict(FIELDS), "time_zone": "", "country": "", "source": ""}
_NAMED = 8  # sites named in a remark


def compare_sites(comparison: Comparison) -> None:
    """Plans new and changed sites, and notes those that the file does not tell of."""
    rows = comparison.rows("sites")
    places = _Places(comparison)
    seen: dict[str, Row] = {}
    for row in rows:
        code = text(row, "site")
        if not code:
            continue
        if code in seen:
            comparison.twice(row, "site", seen[code])
            continue
        seen[code] = row
        places.take(code, row)
    if rows:
        sources = {comparison.source_of(row) for row in rows}
        for code, old in comparison.known.sites.items():
            if code not in seen and old["source"] in sources:
                comparison.missing("sites", code)
    else:
        places.make_from_units()
    places.remark()


class _Places:
    """Takes the sites one by one and keeps what is to be said of all of them."""

    def __init__(self, comparison: Comparison) -> None:
        self._comparison = comparison
        self._year = comparison.now.year
        self._settled = comparison.reading.defaults.get("time_zone", "UTC")
        self._by_country: dict[str, list[str]] = {}  # zone → sites that got it from their country
        self._by_settings: list[str] = []
        self._country_by_settings: list[str] = []
        self._elsewhere: list[str] = []

    def take(self, code: str, row: Row) -> None:
        """One site that the file tells of."""
        comparison = self._comparison
        old = comparison.known.sites.get(code)
        after = merged(row, old or {**_NEW, "site": code}, FIELDS)
        after["source"] = comparison.source_of(row) or after["source"]
        country = text(row, "country")
        if country:
            after["country"] = country
        elif old is None:
            after["country"] = comparison.reading.defaults.get("country", "")
            if after["country"]:
                self._country_by_settings.append(code)
        if country and (old is None or old["country"] != country) and not is_country(country):
            comparison.problem(row, "country", country_cure(country))
        else:
            self._zone(code, row, old, after)
        after["time_zone"] = after["time_zone"] or self._settled  # so that the rest can be looked at
        stays = old is not None and (old["time_zone"], old["country"]) == (after["time_zone"], after["country"])
        if not stays and after["country"] and not keeps(after["country"], after["time_zone"], self._year):
            self._elsewhere.append(f"{code} ({after['country']}, {after['time_zone']})")
        comparison.zones[code] = after["time_zone"]
        if old is None:
            comparison.new("sites", code, after)
            return
        moved = comparison.compare("sites", code, old, after, _COMPARED)
        if moved:
            comparison.change("sites", after)
        if any(name in _MATTERS for name in moved):
            comparison.plan.sites.add(code)
        if "time_zone" in moved:
            comparison.plan.redigest_sites.add(code)

    def _zone(self, code: str, row: Row, old: Columns | None, after: Columns) -> None:
        """Fills in the zone, or says that none can be known."""
        comparison = self._comparison
        told = text(row, "time_zone")
        if told:
            after["time_zone"] = told
            return
        country = after["country"]
        if old is not None and (old["country"] == country or keeps(country, old["time_zone"], self._year)):
            return  # it keeps the zone it has
        settled = self._settled
        only = only_zone(country, self._year) if country else None
        if only is not None:
            after["time_zone"] = only
            self._by_country.setdefault(only, []).append(code)
        elif not country or not zones_of(country) or settled in zones_of(country):
            after["time_zone"] = settled
            self._by_settings.append(code)
        else:
            zones = zones_of(country)
            shown = ", ".join(zones[:3]) + (" …" if len(zones) > 3 else "")
            cure = f"is empty, and {country} has more than one time zone ({shown}); write the site's own"
            comparison.problem(row, "time_zone", cure)

    def make_from_units(self) -> None:
        """Into an empty register a lone units sheet may bring its sites, known by their codes alone. Later a code
        that nobody knows is a problem: it may be a slip of the pen."""
        comparison = self._comparison
        if comparison.known.sites or "sites" in comparison.unread:
            return
        codes = {text(row, "site"): row for row in reversed(comparison.rows("units")) if text(row, "site")}
        for code, unit in sorted(codes.items()):
            values = {"site": code, "name": code, "source": unit.values.get("source")}
            self.take(code, Row(unit.where, values, unit.headings))
        if codes:
            comparison.remark(
                f"{_some(sorted(codes))}: made of what the units say of their site, which is no more than its code; "
                "tell of names, addresses and countries in a sheet 'sites'"
            )

    def remark(self) -> None:
        """What a person should check."""
        comparison = self._comparison
        for zone, codes in sorted(self._by_country.items()):
            comparison.remark(f"time zone {zone}, the only one of the country: {_some(codes)}")
        if self._by_settings:
            comparison.remark(
                f"time zone {self._settled}, from the settings (fleet.time_zone), for no file says it: "
                f"{_some(self._by_settings)}; a day begins and ends by this clock"
            )
        if self._country_by_settings:
            country = comparison.reading.defaults.get("country", "")
            comparison.remark(
                f"country {country}, from the settings (fleet.country): {_some(self._country_by_settings)}"
            )
        if self._elsewhere:
            comparison.remark(f"the country does not keep this time; is one of the two wrong? {_some(self._elsewhere)}")


def _some(codes: list[str]) -> str:
    """How many sites, and the first of them by code."""
    named = ", ".join(codes[:_NAMED]) + (" …" if len(codes) > _NAMED else "")
    return f"{len(codes)} site{'' if len(codes) == 1 else 's'} ({named})"
