"""Writes the whole register and log in the form that `import` reads: importing an export changes nothing.

What is not in it: who has unsubscribed from letters, which import brought a row, and everything that rounds found;
those are in a backup.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, func, or_, select

from ..bootstrap import Program
from ..store.tables import (
    absences,
    closures,
    log,
    metadata,
    parts,
    people,
    person_roles,
    person_sites,
    rota,
    sites,
    training,
    units,
)
from .days import label_text
from .found import TABLES, Progress
from .gravestones import DISCARDED
from .sinks import Out, open_sink
from .spelling import instant_text, pairs_cell, text_cell
from .vocabulary import ROLES

_PAGE = 2000

COLUMNS: dict[str, tuple[str, ...]] = {
    "sites": (
        "site", "name", "address", "latitude", "longitude", "time_zone", "country", "subdivision", "site_type",
        "monthly_celsius", "responders", "notes",
    ),
    "units": (
        "unit", "site", "spot", "floor", "model", "serial", "made_on", "in_service_on", "firmware", "latitude",
        "longitude", "cabinet", "registered_with", "registered_on", "notes",
    ),
    "parts": ("unit", "site", "kind", "state", "lot", "label_date", "fitted_on", "udi", "cost"),
    "people": ("person", "name", "email", "phone", "roles", "sites", "language", "time_zone", "left_on"),
    "training": ("person", "certificate", "issued_on", "valid_to"),
    "log": ("unit", "at", "entry", "by", "readings", "part", "note", "number", "strikes"),
    "rota": ("person", "from", "until"),
    "absences": ("person", "from", "until", "note"),
    "closures": ("site", "from", "until", "every_year", "reason"),
}  # fmt: skip


def export(program: Program, target: Path, progress: Progress) -> dict[str, int]:
    """Writes a workbook (FILE.xlsx) or a folder of CSV files, and gives how many rows each table has.

    Everything in it is of one moment. Raises UserError where something is there already or cannot be written.
    """
    with open_sink(target, program.clock()) as sink, program.store.read() as conn:
        total = sum(
            conn.execute(select(func.count()).select_from(metadata.tables[name])).scalar_one() for name in TABLES
        )
        written, done = {}, 0
        for table in TABLES:
            sink.begin(table, COLUMNS[table])
            count = 0
            for cells in _rows(conn, table, program.settings.fleet.time_zone):
                sink.row(cells)
                count += 1
                if (done + count) % 1000 == 0:
                    progress(done + count, total)
            written[table] = count
            done += count
        progress(done, total)
    return written


def _rows(conn: Connection, table: str, zone: str) -> Iterator[Sequence[Out]]:
    if table == "sites":
        yield from _plain(conn, select(sites).order_by(sites.c.site), COLUMNS["sites"])
    elif table == "units":
        columns = [column for column in units.columns if column.name != "site_id"]
        query = select(sites.c.site, *columns).join(sites, sites.c.id == units.c.site_id).order_by(units.c.unit)
        yield from _plain(conn, query, COLUMNS["units"])
    elif table == "parts":
        yield from _parts(conn)
    elif table == "people":
        yield from _people(conn)
    elif table == "training":
        yield from _training(conn)
    elif table == "log":
        yield from _log(conn)
    elif table == "rota":
        yield from _rota(conn, zone)
    elif table == "absences":
        yield from _absences(conn)
    else:
        yield from _closures(conn)


def _plain(conn: Connection, query: Select[Any], names: Sequence[str]) -> Iterator[Sequence[Out]]:
    for row in _streamed(conn, query):
        columns = row._mapping
        yield [_cell(columns[name]) for name in names]


def _cell(value: Any) -> Out:
    return text_cell(value) if isinstance(value, str) else value


def _parts(conn: Connection) -> Iterator[Sequence[Out]]:
    query = (
        select(units.c.unit, sites.c.site, parts)
        .outerjoin(units, units.c.id == parts.c.unit_id)
        .outerjoin(sites, sites.c.id == parts.c.site_id)
        .where(parts.c.state != "void")
        .order_by(units.c.unit, sites.c.site, parts.c.id)
    )
    for row in _streamed(conn, query):
        yield [
            text_cell(row.unit or ""),
            text_cell(row.site or ""),
            row.kind,
            row.state,
            text_cell(row.lot),
            _label(row.label_date, row.last_good_day),
            row.fitted_on,
            text_cell(row.udi),
            text_cell(row.cost),
        ]


def _label(raw: str, last_good_day: date | None) -> str:
    return text_cell(label_text(raw, last_good_day) if last_good_day is not None else raw)


def _people(conn: Connection) -> Iterator[Sequence[Out]]:
    roles: dict[int, list[str]] = {}
    for person_id, role in conn.execute(select(person_roles.c.person_id, person_roles.c.role)):
        roles.setdefault(person_id, []).append(role)
    places: dict[int, list[str]] = {}
    query = (
        select(person_sites.c.person_id, sites.c.site)
        .join(sites, sites.c.id == person_sites.c.site_id)
        .order_by(sites.c.site)
    )
    for person_id, site in conn.execute(query):
        places.setdefault(person_id, []).append(site)
    for row in _streamed(conn, select(people).order_by(people.c.person)):
        yield [
            text_cell(row.person),
            text_cell(row.name),
            text_cell(row.email),
            text_cell(row.phone),
            "; ".join(sorted(roles.get(row.id, []), key=ROLES.index)),
            "*" if row.whole_fleet else text_cell("; ".join(map(text_cell, places.get(row.id, [])))),
            text_cell(row.language),
            text_cell(row.time_zone),
            row.left_on,
        ]


def _training(conn: Connection) -> Iterator[Sequence[Out]]:
    query = (
        select(people.c.person, training)
        .join(people, people.c.id == training.c.person_id)
        .order_by(people.c.person, training.c.certificate, training.c.issued_on, training.c.id)
    )
    for row in _streamed(conn, query):
        label = _label(row.valid_to, row.last_good_day)
        yield [text_cell(row.person), text_cell(row.certificate), row.issued_on, label]


def _log(conn: Connection) -> Iterator[Sequence[Out]]:
    after = 0
    gone = select(log.c.id).where(log.c.discarded_at.is_not(None))  # a correction of one has nothing left to correct
    while True:
        query = (
            select(units.c.unit, sites.c.time_zone, log)
            .join(units, units.c.id == log.c.unit_id)
            .join(sites, sites.c.id == units.c.site_id)
            .where(log.c.id > after, log.c.discarded_at.is_(None), log.c.entry != DISCARDED)
            .where(or_(log.c.strikes.is_(None), log.c.strikes.not_in(gone)))
            .order_by(log.c.id)
            .limit(_PAGE)
        )
        rows = conn.execute(query).all()
        if not rows:
            return
        for row in rows:
            yield [
                text_cell(row.unit),
                instant_text(row.at, row.time_zone),
                row.entry,
                text_cell(row.by_person),
                pairs_cell(json.loads(row.readings)),
                pairs_cell(json.loads(row.part)),
                text_cell(row.note),
                str(row.id),
                "" if row.strikes is None else str(row.strikes),
            ]
        after = rows[-1].id


def _rota(conn: Connection, zone: str) -> Iterator[Sequence[Out]]:
    query = (
        select(people.c.person, people.c.time_zone, rota.c.from_at, rota.c.until_at)
        .join(people, people.c.id == rota.c.person_id)
        .order_by(rota.c.from_at, people.c.person)
    )
    for row in _streamed(conn, query):
        local = row.time_zone or zone
        yield [text_cell(row.person), instant_text(row.from_at, local), instant_text(row.until_at, local)]


def _absences(conn: Connection) -> Iterator[Sequence[Out]]:
    query = (
        select(people.c.person, absences)
        .join(people, people.c.id == absences.c.person_id)
        .order_by(people.c.person, absences.c.from_on)
    )
    for row in _streamed(conn, query):
        yield [text_cell(row.person), row.from_on, row.until_on, text_cell(row.note)]


def _closures(conn: Connection) -> Iterator[Sequence[Out]]:
    query = (
        select(sites.c.site, closures)
        .join(sites, sites.c.id == closures.c.site_id)
        .order_by(sites.c.site, closures.c.from_on)
    )
    for row in _streamed(conn, query):
        yearly = "yes" if row.every_year else "no"
        yield [text_cell(row.site), row.from_on, row.until_on, yearly, text_cell(row.reason)]


def _streamed(conn: Connection, query: Select[Any]) -> Iterator[Any]:
    """The rows, a page at a time, so that the size of the fleet costs no memory."""
    for page in conn.execution_options(yield_per=_PAGE).execute(query).partitions():
        yield from page
