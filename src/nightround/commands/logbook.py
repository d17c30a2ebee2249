"""`log`, `history`, `strike`: what happened to a unit."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import click
from sqlalchemy import select

from ..bootstrap import Program
from ..errors import UserError
from ..register.log import ENTRIES, NewEntry
from ..register.recording import record, strike
from ..rounds.tonight import reckon_units
from ..store.tables import conditions, log, people, sites, units
from .desk import Desk, pass_desk

# Years outside these are slips of the keyboard, and the ends of the calendar are no instants in every zone.
_EARLIEST, _LATEST = 1980, 9998


@click.command("log")
@click.argument("unit")
@click.argument("entry")
@click.option("--at", metavar="ISO", help="When it happened; without an offset, the site's local time (default: now).")
@click.option("--by", "person", metavar="PERSON", default="", help="Person code; without it, an unknown passer-by.")
@click.option("--reading", "readings", multiple=True, metavar="K=V", help="self-test=ok, battery=3/4, pads=ok …")
@click.option(
    "--part", "part", multiple=True, metavar="K=V", help="kind=battery, label_date=2031-05, lot=…, expected=…"
)
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@pass_desk
def log_command(
    desk: Desk,
    unit: str,
    entry: str,
    at: str | None,
    person: str,
    readings: tuple[str, ...],
    part: tuple[str, ...],
    note: str,
) -> None:
    """Adds one entry to the log of UNIT: check, fitted, ordered, used, fault, withdrawn, returned …"""
    program = desk.program
    if entry not in ENTRIES or entry == "struck":
        raise UserError(
            f"log entry {entry!r} is not known; use one of {', '.join(e for e in ENTRIES if e != 'struck')}"
        )
    unit_id, zone = _unit(program, unit)
    now = program.clock()
    _known_or_nobody(program, person)
    new = NewEntry(
        unit_id,
        instant_at(at, zone, now),
        entry,
        person,
        _pairs("--reading", readings),
        _pairs("--part", part),
        note.strip(),
    )
    with program.store.write() as conn:
        entry_id = record(conn, new, now)
    reckon_units(program, [unit_id])
    _answer(desk, program, unit, unit_id, entry_id, f"{entry} logged for {unit} as entry {entry_id}")
    if not person and entry not in ("fault", "used"):
        desk.err.print(
            "without --by this is the word of an unknown passer-by: bad news in it counts, and nothing else does; "
            f"where you know who it was: nightround strike {entry_id} --why …, and log it again with --by PERSON",
            markup=False,
        )


@click.command("strike")
@click.argument("entry_id", metavar="ENTRY-ID", type=int)
@click.option("--why", required=True, metavar="TEXT", help="Why it is wrong.")
@click.option("--by", "person", default="", metavar="PERSON", help="Who corrects it.")
@pass_desk
def strike_command(desk: Desk, entry_id: int, why: str, person: str) -> None:
    """Corrects the log: the entry stays readable and counts no more."""
    program = desk.program
    _known_or_nobody(program, person)
    with program.store.write() as conn:
        new_id = strike(conn, entry_id, why, person, program.clock())
        unit_id, unit, entry = conn.execute(
            select(units.c.id, units.c.unit, log.c.entry)
            .join(log, log.c.unit_id == units.c.id)
            .where(log.c.id == entry_id)
        ).one()
    reckon_units(program, [unit_id])
    _answer(desk, program, unit, unit_id, new_id, f"entry {entry_id} struck by entry {new_id}")
    if entry in ("fitted", "removed"):
        desk.err.print(
            f"the parts on record stay as entry {entry_id} left them, and so do their dates; say what is in the unit "
            f"now: nightround log {unit} fitted --by PERSON --part kind=… --part label_date=…",
            markup=False,
        )


@click.command("history")
@click.argument("unit")
@pass_desk
def history_command(desk: Desk, unit: str) -> None:
    """Everything logged for UNIT, the newest first; struck entries say so."""
    program = desk.program
    unit_id, zone = _unit(program, unit)
    with program.store.read() as conn:
        rows = conn.execute(
            select(log).where(log.c.unit_id == unit_id).order_by(log.c.at.desc(), log.c.id.desc())
        ).all()
    struck = {row.strikes: row.id for row in rows if row.strikes is not None}
    found = [
        {
            "id": row.id,
            "at": row.at,
            "written_at": row.written_at,
            "entry": row.entry,
            "by": row.by_person or "unknown passer-by",
            "readings": json.loads(row.readings),
            "part": json.loads(row.part),
            "note": row.note,
            "strikes": row.strikes,
            "struck_by": struck.get(row.id),
        }
        for row in rows
    ]
    if desk.json:
        desk.answer(found)
        return
    columns = ("entry", "at", "what", "by", "noted", "struck")
    desk.table(
        columns,
        [
            (
                item["id"],
                item["at"].astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M"),
                item["entry"],
                item["by"],
                _noted(item["readings"], item["part"], item["note"]),
                f"by entry {item['struck_by']}" if item["struck_by"] else "",
            )
            for item in found
        ],
    )
    if not found:
        desk.say(f"Nothing has been logged for {unit}.")


def _noted(readings: dict[str, str], part: dict[str, str], note: str) -> str:
    pairs = "; ".join(f"{name}={value}" for name, value in {**readings, **part}.items())
    return " – ".join(text for text in (pairs, note) if text)


def _unit(program: Program, unit: str) -> tuple[int, str]:
    with program.store.read() as conn:
        row = conn.execute(
            select(units.c.id, sites.c.time_zone).join(sites, sites.c.id == units.c.site_id).where(units.c.unit == unit)
        ).first()
    if row is None:
        raise UserError(f"unit {unit!r} is not in the register; give the unit's code")
    return row.id, row.time_zone


def _known_or_nobody(program: Program, person: str) -> None:
    """Raises UserError for a person's code that is not in the register; none at all is an unknown passer-by."""
    if not person:
        return
    with program.store.read() as conn:
        if conn.execute(select(people.c.id).where(people.c.person == person)).first() is None:
            raise UserError(f"person {person!r} is not in the register; give a person's code, or leave --by out")


def instant_at(text: str | None, zone: str, now: datetime) -> datetime:
    """The instant of `--at`, local to the site where it has no offset; now where it is not given."""
    if text is None:
        return now
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise UserError(f"--at {text!r} is not a time; write it as 2026-11-25T14:30") from None
    if found.year < _EARLIEST:
        raise UserError(f"--at {text!r} is before there were such devices; write when it happened")
    if found.year > _LATEST:
        raise UserError(f"--at {text!r} lies in the future; give the time it happened")
    return (found if found.tzinfo is not None else found.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)


def _pairs(option: str, values: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in values:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise UserError(f"{option} {text!r}: write it as NAME=VALUE")
        found[name.strip()] = value.strip()
    return found


def _answer(desk: Desk, program: Program, unit: str, unit_id: int, entry_id: int, said: str) -> None:
    with program.store.read() as conn:
        state = conn.execute(
            select(conditions.c.condition, conditions.c.reasons).where(conditions.c.unit_id == unit_id)
        ).one()
    reasons = json.loads(state.reasons)
    if desk.json:
        desk.answer({"entry": entry_id, "unit": unit, "condition": state.condition, "reasons": reasons})
        return
    desk.say(f"{said}. {unit} is now {state.condition}" + (": " + "; ".join(reasons) if reasons else "") + ".")
