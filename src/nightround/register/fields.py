"""Which fields each register table has, how a cell of each is read, and how long it may be.

The order is that of the sheets; `KEYS` are the fields without which a row says nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from ..store import tables
from . import cells, statuses, vocabulary
from .cells import LONGEST, Cell
from .days import Days
from .found import Value

Convert = Callable[[Cell], Value]


class Field(NamedTuple):
    """`read` names the reader below; `longest` is the most characters that the store keeps."""

    read: str
    longest: int


# Readers that need nothing but the cell. Those of dates, which depend on the column, are in `converter`.
_READERS: dict[str, Convert] = {
    "code": cells.code,
    "line": cells.line,
    "notes": cells.notes,
    "scanned": cells.scanned,
    "latitude": cells.latitude,
    "longitude": cells.longitude,
    "months": cells.monthly_celsius,
    "count": cells.count,
    "flag": lambda cell: {True: "yes", False: "no", None: None}[cells.flag(cell)],
    "zone": vocabulary.zone,
    "country": vocabulary.country,
    "subdivision": vocabulary.subdivision,
    "lower": vocabulary.lower,
    "email": vocabulary.email,
    "kind": vocabulary.kind,
    "state": vocabulary.state,
    "roles": vocabulary.roles,
    "codes": vocabulary.codes,
    "entry": vocabulary.entry,
    "readings": vocabulary.readings,
    "details": vocabulary.details,
    "status": statuses.status,
    "out-of-service": statuses.out_of_service,
}
DATES = ("day", "label", "instant", "until")

# Words that come again and again: each is read once.
_REPEATED = ("lower", "zone", "country", "subdivision", "kind", "state", "entry", "roles", "readings")

_SPECS: dict[str, str] = {
    "sites": "site:code name:line address:line latitude:latitude longitude:longitude time_zone:zone country:country "
    "subdivision:subdivision site_type:lower monthly_celsius:months responders:count notes:notes",
    "units": "unit:code site:code spot:line floor:line model:line serial:code udi:scanned made_on:day "
    "in_service_on:day firmware:code latitude:latitude longitude:longitude cabinet:line registered_with:line "
    "registered_on:day status:status out_of_service:out-of-service notes:notes",
    "parts": "unit:code site:code kind:kind state:state lot:code label_date:label fitted_on:day udi:scanned cost:line",
    "people": "person:code name:line email:email phone:line roles:roles sites:codes language:lower time_zone:zone "
    "left_on:day",
    "training": "person:code certificate:line issued_on:day valid_to:label",
    "log": "unit:code at:instant entry:entry by:code readings:readings part:details note:notes number:code "
    "strikes:code",
    "rota": "person:code from:instant until:until",
    "absences": "person:code from:day until:day note:line",
    "closures": "site:code from:day until:day every_year:flag reason:line",
}
_STORED_AS = {
    ("parts", "unit"): ("units", "unit"),
    ("parts", "site"): ("sites", "site"),
    ("units", "site"): ("sites", "site"),
    ("training", "person"): ("people", "person"),
    ("rota", "person"): ("people", "person"),
    ("absences", "person"): ("people", "person"),
    ("closures", "site"): ("sites", "site"),
    ("log", "unit"): ("units", "unit"),
    ("log", "by"): ("people", "person"),
}

KEYS: dict[str, tuple[str, ...]] = {
    "sites": ("site",),
    "units": ("unit",),
    "parts": ("kind",),
    "people": ("person",),
    "training": ("person", "certificate"),
    "log": ("unit", "at", "entry"),
    "rota": ("person", "from", "until"),
    "absences": ("person", "from", "until"),
    "closures": ("site", "from"),
}


def _fields(table: str, spec: str) -> dict[str, Field]:
    found = {}
    for item in spec.split():
        name, read = item.split(":")
        stored = _STORED_AS.get((table, name), (table, name))
        column = tables.metadata.tables[stored[0]].columns.get(stored[1])
        length = getattr(column.type, "length", None) if column is not None else None
        found[name] = Field(read, length or LONGEST)
    return found


FIELDS: dict[str, dict[str, Field]] = {table: _fields(table, spec) for table, spec in _SPECS.items()}


def converter(field: Field, days: Days) -> Convert:
    """How a cell that is not empty is read in one column; `days` is that column's own."""
    if field.read in DATES:
        return getattr(days, field.read)  # type: ignore[no-any-return]
    read = _READERS[field.read]
    if field.read in _REPEATED:
        read = _remembering(read)
    if field.read in ("code", "line", "notes", "scanned", "lower", "email"):
        return _no_longer_than(field.longest, read)
    if field.read == "codes":
        return _no_longer_than(FIELDS["sites"]["site"].longest, read)
    return read


def _remembering(read: Convert) -> Convert:
    seen: dict[str, Value] = {}

    def remembered(cell: Cell) -> Value:
        if not isinstance(cell, str):
            return read(cell)
        if cell not in seen:
            seen[cell] = read(cell)
        return seen[cell]

    return remembered


def _no_longer_than(longest: int, read: Convert) -> Convert:
    def checked(cell: Cell) -> Value:
        value = read(cell)
        if isinstance(value, str):
            if len(value) > longest:
                raise _too_long(value, longest)
        elif isinstance(value, tuple):
            for text in value:
                if len(text) > longest:
                    raise _too_long(text, longest)
        return value

    return checked


def _too_long(text: str, longest: int) -> cells.Refused:
    return cells.Refused(f"is {len(text)} characters long; {longest} are the most")
