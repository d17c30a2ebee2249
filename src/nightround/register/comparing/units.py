"""Units as a file tells of them, against those on record."""

from __future__ import annotations

import secrets
from itertools import chain
from typing import Any

from .. import labelled
from ..found import Row
from ..plausible import of_unit
from .comparison import Comparison, Where, merged, text
from .known import Columns

FIELDS: tuple[tuple[str, Any], ...] = (
    ("spot", ""),
    ("floor", ""),
    ("model", ""),
    ("serial", ""),
    ("made_on", None),
    ("in_service_on", None),
    ("firmware", ""),
    ("latitude", None),
    ("longitude", None),
    ("cabinet", ""),
    ("registered_with", ""),
    ("registered_on", None),
    ("notes", ""),
)
_COMPARED = ("site", *(name for name, _ in FIELDS), "source")
_DAYS = ("made_on", "in_service_on", "registered_on")
_BASE_DAYS = ("in_service_on", "registered_on")
_NEW: Columns = {**dict(FIELDS), "site": "", "source": ""}
_LABEL_BYTES = 16


def compare_units(comparison: Comparison) -> None:
    """Plans new and changed units, and notes those that the file does not tell of, within what its publisher told."""
    rows = comparison.rows("units")
    held = comparison.known.unit_rows({text(row, "unit") for row in rows})
    seen: dict[str, Row] = {}
    for row in rows:
        code = text(row, "unit")
        if not code:
            continue
        if code in seen:
            comparison.twice(row, "unit", seen[code])
            continue
        seen[code] = row
        _take(comparison, code, row, held.get(code))
    if rows:
        sources = {comparison.source_of(row) for row in rows}
        for code, brief in comparison.known.units.items():
            if code not in seen and brief.source in sources:
                comparison.missing("units", code)
    _remark_on_case(comparison, seen)
    if any(row.values.get("udi") for row in rows):
        comparison.remark(
            "units: column udi is read for serial and made_on; the code itself and its product number are not kept"
        )


def _take(comparison: Comparison, code: str, row: Row, old: Columns | None) -> None:
    after = merged(row, old or {**_NEW, "unit": code}, FIELDS)
    after["source"] = comparison.source_of(row) or after["source"]
    _hear(comparison, row, after)
    site = text(row, "site")
    if site:
        after["site"] = site
    elif old is None or "site" in row.values:
        comparison.problem(row, "site", "is empty; write the code of the site at which the unit stands")
    if after["site"] and not comparison.has_site(after["site"]):
        sites = chain(comparison.zones, comparison.known.sites)
        cure = "tell of it in a sheet or file 'sites', or correct the code"
        comparison.unknown(row, "site", "sites", after["site"], sites, cure)
        after["site"] = ""
    comparison.stands[code] = Where(after["site"], after["made_on"])
    if old is None or any(old[name] != after[name] for name in _DAYS):
        today = comparison.today(after["site"]) if after["site"] else comparison.now.date()
        days = {name: after[name] for name in _BASE_DAYS}
        for name, day in days.items():
            if (old is None or old[name] != day) and comparison.to_come(row, name, day):
                days[name] = None
        comparison.odd(row, of_unit(after["made_on"], days["in_service_on"], days["registered_on"], today))
    if old is None:
        after["label"] = secrets.token_urlsafe(_LABEL_BYTES)
        comparison.new("units", code, after)
        comparison.plan.units.add(code)
        return
    moved = comparison.compare("units", code, old, after, _COMPARED)
    if not moved:
        return
    comparison.change("units", after)
    comparison.plan.units.add(code)
    if "site" in moved and old["site"] and after["site"]:
        before = str(comparison.known.sites[old["site"]]["time_zone"])
        if before != comparison.zone_of(after["site"]):
            comparison.plan.redigest.add(code)


def _hear(comparison: Comparison, row: Row, after: Columns) -> None:
    """Fills serial and made-on day from the device's own code; without a column, what is on record was typed."""
    udi = text(row, "udi")
    if not udi:
        return
    site = text(row, "site") or after["site"]
    today = comparison.today(site) if site and comparison.has_site(site) else comparison.now.date()
    settled = labelled.of_unit(udi, after["serial"], after["made_on"], today)
    comparison.heard(row, settled)
    after["serial"], after["made_on"] = settled.serial, settled.made_on


def _remark_on_case(comparison: Comparison, seen: dict[str, Row]) -> None:
    """New units whose code differs from that of another in nothing but case or blanks."""
    if seen.keys() <= comparison.known.units.keys():
        return
    folded: dict[str, str] = {}
    alike = []
    for code in sorted({*comparison.known.units, *seen}):
        other = folded.setdefault("".join(code.split()).casefold(), code)
        if other != code and {code, other} - set(comparison.known.units):
            alike.append(f"{other} and {code}")
    if alike:
        comparison.remark(f"units whose codes differ in case only; are they one? {', '.join(alike[:20])}")
