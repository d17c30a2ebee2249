"""Writes an invented fleet as a folder of import files and a safety notice, one site after the other.

So size costs no memory: only the first block's units are held, which the notice is about.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any

from ..errors import UserError
from .dice import dice
from .history import LOG_DAYS
from .notice import FILE, write_notice
from .people import COORDINATOR, REGIONS, manager, of_the_fleet, responders_wanted, rota, site_people
from .places import KINDS, UNITS_A_BLOCK, Kind
from .rows import HEADERS, Row, contradicted, spares_of_a_site, tell
from .stories import dealt

Progress = Callable[[int, int | None], None]


def write_fleet(
    folder: Path, units: int, seed: int, on: date, progress: Progress, days: int = LOG_DAYS
) -> dict[str, int]:
    """Writes the files into `folder`, which must be empty or not exist, and gives the rows of each.

    The same units, seed and day give the same bytes. `on` is the day the fleet is invented for: the log ends on the
    day before. `days` is how far back the log goes, at most two years. Raises UserError where the folder is in use.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UserError(f"{folder} is not an empty folder and is left as it is; name another")
    folder.parent.mkdir(parents=True, exist_ok=True)
    bench = Path(tempfile.mkdtemp(prefix=".nightround-", dir=folder.parent))
    try:
        with ExitStack() as stack:
            files = _Files(bench, stack)
            _write(files, units, seed, on, days, progress)
        bench.chmod(0o755)
        bench.rename(folder)  # over an empty folder too
    finally:
        shutil.rmtree(bench, ignore_errors=True)
    return files.rows


class _Files:
    """The open files; counts what is written to each."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.rows = dict.fromkeys(HEADERS, 0)
        self._folder = folder
        self._writers: dict[str, Any] = {}
        for name, header in HEADERS.items():
            opened = stack.enter_context((folder / f"{name}.csv").open("w", encoding="utf-8", newline=""))
            self._writers[name] = csv.writer(opened)
            self._writers[name].writerow(header)

    def notice(self, text: str) -> None:
        """The safety notice lies beside the files that `import` reads, and is added by itself."""
        (self._folder / FILE).write_text(text, encoding="utf-8", newline="\n")

    def add(self, name: str, rows: Iterable[Row]) -> None:
        listed = list(rows)
        self._writers[name].writerows(listed)
        self.rows[name] += len(listed)


def _sites(units: int) -> Iterator[tuple[int, int, Kind, int]]:
    """Block, first unit's number, kind and number of units of each site, until the units are dealt out."""
    number = block = 0
    while number < units:
        for kind in KINDS:
            count = min(kind.units, units - number)
            if count <= 0:
                return
            yield block, number, kind, count
            number += count
        block += 1


def _write(files: _Files, units: int, seed: int, on: date, days: int, progress: Progress) -> None:
    slip = False  # one typed date of the fleet contradicts the code on the label
    first_units: list[Row] = []
    files.add("people", of_the_fleet(dice(seed, "fleet")))
    files.add("rota", rota(on))
    stories: list[str] = []
    region_sites: dict[str, list[str]] = {}
    current = -1
    for block, first, kind, count in _sites(units):
        if block != current:
            _managers(files, seed, current, region_sites)
            current, stories, region_sites = block, dealt(seed, block), {}
        site = kind.code if block == 0 else f"{kind.code}{block + 1}"
        region_sites.setdefault(kind.region, []).append(site)
        rng = dice(seed, "site", site)
        files.add("sites", [_site(kind, site, block, rng.uniform(-0.4, 0.4), rng.uniform(-0.4, 0.4))])
        people, training = site_people(rng, kind, site, on)
        files.add("people", people)
        files.add("training", training)
        files.add("parts", spares_of_a_site(rng, kind, site, on, first))
        for place in range(count):
            number = first + place
            story = stories[number - block * UNITS_A_BLOCK]
            told = tell(seed, on, kind, site, place + 1, number, story, COORDINATOR, days)
            parts = told.parts
            if block == 0:
                first_units.append(told.unit)
                if not slip and story == "well":
                    parts = _one_slip(parts)
                    slip = parts != told.parts
            files.add("units", [told.unit])
            files.add("parts", parts)
            files.add("log", told.log)
        progress(first + count, units)
    _managers(files, seed, current, region_sites)
    files.notice(write_notice(first_units, on))


def _one_slip(parts: list[Row]) -> list[Row]:
    """The parts with a slip in the first that has a code and a typed date, if one has."""
    changed = [contradicted(part) for part in parts]
    place = next((number for number, part in enumerate(parts) if changed[number] != part), None)
    return parts if place is None else [*parts[:place], changed[place], *parts[place + 1 :]]


def _managers(files: _Files, seed: int, block: int, region_sites: dict[str, list[str]]) -> None:
    for region in REGIONS:
        if region in region_sites:
            files.add("people", [manager(dice(seed, region, block), region, block, region_sites[region])])


def _site(kind: Kind, site: str, block: int, north: float, east: float) -> Row:
    latitude, longitude = (
        (kind.latitude, kind.longitude) if block == 0 else (kind.latitude + north, kind.longitude + east)
    )
    name = kind.name if block == 0 else f"{kind.name} {block + 1}"
    where = (
        f"{latitude:.5f}",
        f"{longitude:.5f}",
        kind.time_zone,
        kind.country,
        kind.subdivision,
        kind.site_type,
        responders_wanted(kind),
    )
    return (site, name, kind.address, *where)
