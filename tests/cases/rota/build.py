"""A calendar file written by hand, and a small register for the rota. Everything is made up."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.cases.rota import Rota, Shift
from nightround.settings import Rota as RotaSettings
from nightround.store.tables import absences, people, person_roles, person_sites, rota, sites, units

BERLIN, NEW_YORK = "Europe/Berlin", "America/New_York"


def utc(text: str) -> datetime:
    """`2026-11-25 09:00` in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def calendar(*events: str, head: str = "") -> bytes:
    """A file with these events; each is a few lines, without BEGIN, END and UID."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//made up//EN", *head.split("\n")]
    for number, event in enumerate(events):
        uid = [] if "UID:" in event else [f"UID:{number}"]
        lines += ["BEGIN:VEVENT", *uid, "DTSTAMP:20260101T000000Z", *event.strip().split("\n"), "END:VEVENT"]
    return "\r\n".join(line.strip() for line in (*lines, "END:VCALENDAR") if line.strip()).encode() + b"\r\n"


def settle(program: Program) -> None:
    """Two sites with a unit each; P1, P2 and P3 on call for both, P4 for the second only, P5 without an address."""
    with program.store.write() as conn:
        conn.execute(
            insert(sites),
            [
                {"id": 1, "site": "MILL", "name": "Mill Lane School", "time_zone": "Europe/London"},
                {"id": 2, "site": "POOL", "name": "Harbour Pool", "time_zone": "Europe/London"},
            ],
        )
        conn.execute(insert(units), [{"unit": f"U{n}", "site_id": n, "label": f"l{n}"} for n in (1, 2)])
        names = {"P1": "Ada Ferrow", "P2": "Ben Oakes", "P3": "Chloé Varnier", "P4": "Dev Rana", "P5": "Ester Lind"}
        for number, (code, name) in enumerate(names.items(), 1):
            address = "" if code == "P5" else f"{code.lower()}@example.org"
            values = {"id": number, "person": code, "name": name, "email": address, "whole_fleet": code != "P4"}
            conn.execute(insert(people).values(values))
            conn.execute(insert(person_roles).values(person_id=number, role="on-call"))
        conn.execute(insert(person_sites).values(person_id=4, site_id=2))


def on_table(program: Program, person: int, start: str, end: str) -> None:
    """A row of the table; UTC."""
    with program.store.write() as conn:
        conn.execute(insert(rota).values(person_id=person, from_at=utc(start), until_at=utc(end)))


def gone(program: Program, person: int, first: str, last: str) -> None:
    """An absence, both days included."""
    days = {"from_on": datetime.fromisoformat(first).date(), "until_on": datetime.fromisoformat(last).date()}
    with program.store.write() as conn:
        conn.execute(insert(absences).values(person_id=person, **days))


def with_file(program: Program, folder: Path, body: bytes, zone: str = "Europe/London") -> Program:
    """The program with that calendar file in its settings."""
    file = folder / "rota.ics"
    file.write_bytes(body)
    update = {
        "rota": RotaSettings(file=file),
        "fleet": program.settings.fleet.model_copy(update={"time_zone": zone}),
    }
    return Program(program.settings.model_copy(update=update), program.store, program.clock)


def load(program: Program, start: str, end: str) -> Rota:
    with program.store.read() as conn:
        return Rota.load(conn, program.settings, utc(start), utc(end))


def codes(program: Program, ids: frozenset[int]) -> set[str]:
    with program.store.read() as conn:
        return set(conn.execute(select(people.c.person).where(people.c.id.in_(ids))).scalars())


def shown(shifts: list[Shift]) -> list[tuple[str, str, str]]:
    """Person, from and until in UTC, as short texts."""
    return [(f"P{s.person_id}", f"{s.from_at:%Y-%m-%d %H:%M}", f"{s.until_at:%Y-%m-%d %H:%M}") for s in shifts]
