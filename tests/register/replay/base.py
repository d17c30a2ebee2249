"""The site, unit, coordinator and parts that the tests of replays begin with."""

from __future__ import annotations

from pathlib import Path

from tests.register.office import Office, write

SITES = "site | time_zone | country\nS | Europe/Paris | FR\nT | Europe/London | GB\nK | Pacific/Kiritimati | KI"
UNITS = "unit | site | model | in_service_on\nU | S | Orrel Twin | 2025-01-01"
PEOPLE = "person | name | roles\nP | Pat Known | coordinator"
PARTS = """unit | kind | state | label_date | fitted_on | lot
U | pads-adult | fitted | 2028-10 | 2025-06-01 | A
U | pads-child | fitted | 2029-01 | {child} | C
U | battery | fitted | 2030-03-31 | 2025-06-01 | B"""
LOG = "unit | at | entry | by | readings | part | note | number | strikes\n"


def base(office: Office, folder: Path, *, child: str = "2025-06-01", **more: str) -> Path:
    """Brings the register in and gives the folder."""
    office.bring(write(folder, sites=SITES, units=UNITS, people=PEOPLE, parts=PARTS.format(child=child), **more))
    return folder


def log(office: Office, entry: str, at: str, *options: str, by: str = "P") -> int:
    """Logs an entry of U and gives its number."""
    who = ("--by", by) if by else ()
    answer = office.run("log", "U", entry, "--at", at, *who, *options)
    assert answer.status == 0, answer.err
    return int(answer.document["entry"])


def strike(office: Office, entry: int) -> None:
    answer = office.run("strike", str(entry), "--why", "wrong", "--by", "P")
    assert answer.status == 0, answer.err


def dates(office: Office) -> dict[str, tuple[str, str | None]]:
    """Standing and last good day of each fitted part's duty, by kind."""
    rows = office.rows("SELECT kind, standing, last_good_day FROM duties WHERE key LIKE '%/fitted/%'")
    return {kind: (standing, good) for kind, standing, good in rows}


def in_it(office: Office) -> list[tuple[object, ...]]:
    """The parts that are in the unit or kept for it."""
    columns = "kind, state, lot, label_date, last_good_day, fitted_on, udi, odd"
    return sorted(office.rows(f"SELECT {columns} FROM parts WHERE state IN ('fitted', 'spare')"), key=str)


def everything(office: Office) -> dict[str, list[tuple[object, ...]]]:
    """Parts, evidence, place and duties, without numbers that are given in order."""
    duties = "kind, subject, standing, opens, order_by, last_good_day, deadline"
    return {
        "parts": in_it(office),
        "evidence": office.rows("SELECT * FROM evidence"),
        "units": office.rows("SELECT site_id, spot, floor FROM units"),
        "duties": sorted(office.rows(f"SELECT {duties} FROM duties"), key=str),
        "condition": office.rows("SELECT condition, reasons FROM conditions"),
    }
