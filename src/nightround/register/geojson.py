"""Opens a GeoJSON file of map features as a grid: a row for each defibrillator, a column for each of its tags.

Tags as the map's own wiki describes them for `emergency=defibrillator`. Positions are longitude, latitude in degrees
(RFC 7946 §3.1.1, §4). Features that are no defibrillators are left out and counted.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..errors import UserError
from .cells import Cell
from .grids import MOST_BYTES, MOST_COLUMNS, Grid

OSM_ID = "@osm id"
_FIRST = (OSM_ID, "latitude", "longitude", "emergency")


def open_geojson(path: Path, remarks: list[str]) -> Grid:
    """The defibrillators of a feature collection. Raises UserError where the file is none, or too large."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise UserError(
            f"{path.name} has {size // 1_000_000} MB; {MOST_BYTES // 1_000_000} MB are the most, so split it"
        )
    try:
        whole = json.loads(path.read_bytes())
    except (ValueError, RecursionError):
        raise UserError(f"{path.name} is not GeoJSON; export the map data again, as GeoJSON") from None
    if not isinstance(whole, dict) or not isinstance(whole.get("features"), list):
        raise UserError(f"{path.name} is not a GeoJSON feature collection; export the map data again, as GeoJSON")
    features = [found for feature in whole["features"] if (found := _tags(feature)) is not None]
    left_out = len(whole["features"]) - len(features)
    if left_out:
        remarks.append(f"{path.name}: left out, for they are no defibrillators: {left_out} features")
    columns = list(dict.fromkeys([*_FIRST, *(tag for feature in features for tag in feature)]))
    if len(columns) > MOST_COLUMNS:
        raise UserError(f"{path.name} uses {len(columns)} tags; {MOST_COLUMNS} are the most, so split it")
    return Grid(path.name, "", _rows(columns, features), len(features) + 1)


def _rows(columns: list[str], features: list[dict[str, Cell]]) -> Iterator[list[Cell]]:
    yield list(columns)
    for feature in features:
        yield [feature.get(column, "") for column in columns]


def _tags(feature: Any) -> dict[str, Cell] | None:
    """A feature's tags, identity and position; None where it is no defibrillator."""
    given = feature.get("properties") if isinstance(feature, dict) else None
    if not isinstance(given, dict) or given.get("emergency") != "defibrillator":
        return None
    tags: dict[str, Cell] = {
        name: value if isinstance(value, str | int | float) else json.dumps(value, ensure_ascii=False)
        for name, value in given.items()
        if value is not None and not name.startswith("@") and name not in ("latitude", "longitude")
    }
    identity = given.get("@id", feature.get("id", given.get("id", "")))
    tags[OSM_ID] = str(identity).replace("/", "-")
    geometry = feature.get("geometry")
    if isinstance(geometry, dict) and geometry.get("type") == "Point":
        position = geometry.get("coordinates")
        if isinstance(position, list) and len(position) >= 2 and all(isinstance(n, int | float) for n in position[:2]):
            tags["longitude"], tags["latitude"] = position[:2]
    return tags
