"""Opens a GeoJSON file of map features as a grid: a row for each defibrillator, a column for each of its tags.

Tags as the map's own wiki describes them for `emergency=defibrillator`. Positions are longitude, latitude in degrees
(RFC 7946 §3.1.1, §4). Features that are no defibrillators are left out and counted.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO

from ..errors import UserError
from .cells import Cell
from .grids import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, Grid

OSM_ID = "@osm id"
_WINDOW = 2_000_000  # characters: the most that one feature may have
_FIRST = (OSM_ID, "latitude", "longitude", "emergency")


def open_geojson(path: Path, remarks: list[str]) -> Grid:
    """The defibrillators of a feature collection. Raises UserError where the file is none, or too large."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise UserError(
            f"{path.name} has {size // 1_000_000} MB; {MOST_BYTES // 1_000_000} MB are the most, so split it"
        )
    with path.open("rb") as file:
        counts = [0, 0]
        for chunk in iter(lambda: file.read(_WINDOW), b""):
            counts = [counts[0] + chunk.count(b'"Feature"'), counts[1] + chunk.count(b'"defibrillator"')]
    if max(counts) > MOST_ROWS:
        raise UserError(
            f"{path.name} has {max(counts)} features; {MOST_ROWS} are the most, so export the defibrillators only"
        )
    features, left_out = [], 0
    try:
        with path.open(encoding="utf-8-sig") as text:
            for feature in _Window(text, path.name).features():
                tags = _tags(feature)
                if tags is None:
                    left_out += 1
                else:
                    features.append(tags)
    except (ValueError, RecursionError):  # ValueError: no JSON, or no UTF-8
        raise UserError(f"{path.name} is not GeoJSON; export the map data again, as GeoJSON") from None
    if left_out:
        remarks.append(f"{path.name}: left out, for they are no defibrillators: {left_out} features")
    columns = list(dict.fromkeys([*_FIRST, *(tag for feature in features for tag in feature)]))
    if len(columns) > MOST_COLUMNS:
        raise UserError(f"{path.name} uses {len(columns)} tags; {MOST_COLUMNS} are the most, so split it")
    return Grid(path.name, "", _rows(columns, features), len(features) + 1)


class _Window:
    """Reads a feature collection value by value, so that the file is never in memory as a whole. Raises ValueError or
    RecursionError where it is no JSON."""

    def __init__(self, file: TextIO, name: str) -> None:
        self._file = file
        self._name = name
        self._text = ""
        self._at = 0
        self._decoder = json.JSONDecoder()

    def features(self) -> Iterator[Any]:
        """The members of `features`. Raises UserError where there is no such list, or one is far too large."""
        found = False
        if self._next("{"):
            while not self._next("}"):
                key = self._value()
                self._expect(":")
                if key == "features" and self._next("["):
                    found = True
                    while not self._next("]"):
                        yield self._value()
                        self._next(",")
                else:
                    self._value()
                self._next(",")
        if not found:
            raise UserError(f"{self._name} is not a GeoJSON feature collection; export the map data again, as GeoJSON")

    def _fill(self) -> None:
        """Holds at least one whole window of what comes next, blanks apart, or all the rest."""
        while True:
            while self._at < len(self._text) and self._text[self._at] in " \t\r\n":
                self._at += 1
            if len(self._text) - self._at >= _WINDOW:
                return
            more = self._file.read(_WINDOW)
            self._text, self._at = self._text[self._at :] + more, 0
            if not more:
                return

    def _next(self, signs: str) -> bool:
        """Whether one of these signs comes next; it is passed over then."""
        self._fill()
        found = self._text[self._at : self._at + 1]
        if found and found in signs:
            self._at += 1
            return True
        if not found:
            raise ValueError("the file ends too early")
        return False

    def _expect(self, sign: str) -> None:
        if not self._next(sign):
            raise ValueError(f"{sign} is missing")

    def _value(self) -> Any:
        self._fill()
        try:
            found, self._at = self._decoder.raw_decode(self._text, self._at)
        except ValueError:
            if len(self._text) - self._at < _WINDOW:
                raise
            raise UserError(
                f"{self._name} is not GeoJSON, or has a feature of more than {_WINDOW // 1_000_000} MB; export the map "
                "data again, as GeoJSON"
            ) from None
        return found


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
