"""An invented fleet for the pages: two organisations' worth of sites in two zones, people with every role, and units
in every condition. Everything is made up; the addresses are of example.org."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, insert, select

from nightround.bootstrap import Program
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.rounds.marked import take_up
from nightround.rounds.tonight import run_owed
from nightround.store.tables import parts, people, person_roles, person_sites, sites, units

TODAY = date(2026, 11, 25)

SITES: list[dict[str, Any]] = [
    {"site": "MILL", "name": "Mill Lane School", "address": "4 Mill Lane, Ostermere", "time_zone": "Europe/London"},
    {"site": "POOL", "name": "Harbour Pool", "address": "Quay Road, Ostermere", "time_zone": "Europe/London"},
    {"site": "HALL/2", "name": "Salle des fêtes", "address": "Rue du Lavoir, Vaubrune", "time_zone": "Europe/Paris"},
]

# code, site, spot, pads good to, battery good to, last checked (days ago, None: never)
UNITS: list[tuple[str, str, str, date | None, date | None, int | None]] = [
    ("MILL-01", "MILL", "Reception, left of the lift", date(2028, 4, 30), date(2029, 6, 30), 6),
    ("MILL-02", "MILL", "Sports hall, by the double doors", date(2026, 11, 10), date(2028, 1, 31), 9),
    ("MILL-03", "MILL", "Workshop corridor", date(2027, 1, 31), date(2027, 9, 30), 27),
    ("MILL-04", "MILL", "Library, first floor", None, None, None),
    ("POOL-01", "POOL", "Poolside office", date(2028, 8, 31), date(2028, 8, 31), 45),
    ("POOL-02", "POOL", "Gym, at the water fountain", date(2027, 12, 31), date(2027, 2, 14), 12),
    ("VAU 1/b", "HALL/2", "Entrée, à droite", date(2027, 7, 31), date(2028, 2, 29), 3),
]

# code, name, roles, sites, whole fleet
PEOPLE: list[tuple[str, str, tuple[str, ...], tuple[str, ...], bool]] = [
    ("P1", "Ada Ferrow", ("coordinator",), (), True),
    ("P2", "Ben Oakes", ("site-contact",), ("MILL",), False),
    ("P3", "Chloé Varnier", ("coordinator", "manager"), ("HALL/2",), False),
    ("P4", "Dev Rana", ("on-call",), ("MILL", "POOL"), False),
    ("P5", "Ester Lind", ("responder",), ("POOL",), False),
    ("P6", "Nobody Yet", (), (), False),
]


def settle(program: Program) -> None:
    """Writes the fleet, runs the rounds that are owed, and takes up what was recorded."""
    now = program.clock()
    with program.store.write() as conn:
        _places(conn)
        _people(conn)
        _log(conn, now)
    run_owed(program)
    take_up(program)


def _places(conn: Connection) -> None:
    conn.execute(insert(sites), [{**row, "country": "", "subdivision": ""} for row in SITES])
    ids = {row.site: row.id for row in conn.execute(select(sites.c.site, sites.c.id))}
    for number, (code, site, spot, pads, battery, _) in enumerate(UNITS, 1):
        values = {
            "unit": code,
            "site_id": ids[site],
            "spot": spot,
            "model": "Tarnlight Five",
            "serial": f"TF{number:06}",
            "label": f"label{number:017}",
            "in_service_on": date(2024, 5, 2) if pads else None,
        }
        unit_id = conn.execute(insert(units).values(**values)).inserted_primary_key[0]  # type: ignore[index]
        if pads is not None:
            conn.execute(insert(parts), [_part(unit_id, "pads-adult", pads), _part(unit_id, "battery", battery)])
    spare = _part(None, "pads-adult", date(2028, 3, 31)) | {"site_id": ids["MILL"], "state": "spare"}
    conn.execute(insert(parts).values(**spare))


def _part(unit_id: int | None, kind: str, good: date | None) -> dict[str, Any]:
    return {
        "unit_id": unit_id,
        "kind": kind,
        "state": "fitted",
        "lot": "L2210",
        "label_date": str(good)[:7] if good else "",
        "last_good_day": good,
        "read_from": "typed",
        "fitted_on": date(2024, 5, 2),
    }


def _people(conn: Connection) -> None:
    ids = {row.site: row.id for row in conn.execute(select(sites.c.site, sites.c.id))}
    for code, name, roles, named, whole in PEOPLE:
        mail = f"{name.split()[0].lower().replace('é', 'e')}@example.org"
        values = {"person": code, "name": name, "email": mail, "phone": "+44 1632 960 001", "whole_fleet": whole}
        person_id = conn.execute(insert(people).values(**values)).inserted_primary_key[0]  # type: ignore[index]
        for role in roles:
            conn.execute(insert(person_roles).values(person_id=person_id, role=role))
        for site in named:
            conn.execute(insert(person_sites).values(person_id=person_id, site_id=ids[site]))


def _log(conn: Connection, now: datetime) -> None:
    ids = {row.unit: row.id for row in conn.execute(select(units.c.unit, units.c.id))}
    good = {"self-test": "ok", "pads": "ok", "battery": "4/4", "damage": "none", "scope": "look"}
    for code, _, _, _, _, ago in UNITS:
        if ago is not None:
            at = now - timedelta(days=ago)
            record(conn, NewEntry(ids[code], at, "check", "P2", dict(good), note="all in place"), at)
    at = datetime(2026, 11, 24, 16, 40, tzinfo=UTC)
    beeps = NewEntry(ids["POOL-02"], at, "fault", "", {"self-test": "fault"}, note="fault light or beep: every minute")
    record(conn, beeps, at)
