"""What the register holds of the things that a file tells of: loaded in a few queries, never one a row."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, select

from ...store.tables import fleet, parts, people, person_roles, person_sites, sites, units
from ..matching import Held

_CHUNK = 500  # values in one condition
_ALL_FROM = 5000  # from so many on, reading the whole table is quicker

Columns = dict[str, Any]


class UnitBrief(NamedTuple):
    """What is held of every unit of the fleet."""

    id: int
    site: str
    source: str
    made_on: date | None


class Known:
    """The register at the moment of the import. Sites and people are held in whole, of units only the brief."""

    def __init__(self, conn: Connection) -> None:
        self.conn = conn
        self.log_count: int = conn.execute(select(fleet.c.log_count)).scalar_one()
        self.sites: dict[str, Columns] = {row["site"]: dict(row) for row in conn.execute(select(sites)).mappings()}
        self.site_codes: dict[int, str] = {row["id"]: code for code, row in self.sites.items()}
        query = select(units.c.unit, units.c.id, units.c.site_id, units.c.source, units.c.made_on)
        self.units: dict[str, UnitBrief] = {
            unit: UnitBrief(unit_id, self.site_codes[site_id], source, made_on)
            for unit, unit_id, site_id, source, made_on in conn.execute(query)
        }
        self.people: dict[str, Columns] = self._people()

    def unit_rows(self, wanted: Collection[str]) -> dict[str, Columns]:
        """All that is held of these units, with the code of their site under `site`."""
        ids = [self.units[unit].id for unit in wanted if unit in self.units]
        found: dict[str, Columns] = {}
        for row in self.some(select(units).order_by(units.c.id), ids):
            columns = dict(row._mapping)
            columns["site"] = self.site_codes[columns["site_id"]]
            found[columns["unit"]] = columns
        return found

    def parts_of_units(self, unit_ids: Collection[int]) -> Iterator[tuple[int, Held]]:
        """Unit id and part, in the order of their ids, of every part in or for these units."""
        query = select(parts.c.unit_id, *_PART).where(parts.c.unit_id.is_not(None), parts.c.state != "void")
        for unit_id, *rest in self.some(query.order_by(parts.c.id), unit_ids):
            yield unit_id, Held(*rest)

    def parts_of_sites(self) -> Iterator[tuple[int, Held]]:
        """Site id and part, in the order of their ids, of every part that a site keeps for no one unit."""
        query = select(parts.c.site_id, *_PART).where(parts.c.unit_id.is_(None)).order_by(parts.c.id)
        for site_id, *rest in self.conn.execute(query):
            yield site_id, Held(*rest)

    def some(self, query: Select[Any], wanted: Collection[Any]) -> Iterator[Any]:
        """The rows of the query whose first column is one of these values."""
        if len(wanted) >= _ALL_FROM:
            keep = set(wanted)
            yield from (row for row in self.conn.execute(query) if row[0] in keep)
            return
        first = query.selected_columns[0]
        values = sorted(wanted)
        for start in range(0, len(values), _CHUNK):
            yield from self.conn.execute(query.where(first.in_(values[start : start + _CHUNK])))

    def _people(self) -> dict[str, Columns]:
        found: dict[str, Columns] = {row["person"]: dict(row) for row in self.conn.execute(select(people)).mappings()}
        by_id = {row["id"]: row for row in found.values()}
        for row in found.values():
            row["roles"], row["sites"] = set(), []
        for person_id, role in self.conn.execute(select(person_roles.c.person_id, person_roles.c.role)):
            by_id[person_id]["roles"].add(role)
        theirs = select(person_sites.c.person_id, person_sites.c.site_id).order_by(person_sites.c.site_id)
        for person_id, site_id in self.conn.execute(theirs):
            by_id[person_id]["sites"].append(self.site_codes[site_id])
        return found


_PART = (*(parts.c[name] for name in Held._fields[:-1]), parts.c.fitted_by.is_not(None))
