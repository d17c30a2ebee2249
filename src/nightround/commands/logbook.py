"""`log`, `history`, `strike`: what happened to a unit."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import click
from sqlalchemy import select

from ..bootstrap import Program
from ..errors import UserError
from ..reckoning.dates import local_day
from ..reckoning.readings import NUMBERS, is_word, understood
from ..reckoning.rules import Subject
from ..register import strangers
from ..register.crewnote import crew_note, in_words
from ..register.gravestones import DISCARDED
from ..register.log import ENTRIES, NewEntry
from ..register.recording import record, strike
from ..register.whereabouts import COVERS, SITE, SPOT
from ..rounds.rulebook import load as load_rulebook
from ..rounds.tonight import reckon_units
from ..store.tables import conditions, log, parts, people, sites, units
from .desk import Desk, counted, pass_desk

_MODES = {True: "child", False: "adult"}
# Years outside these are slips of the keyboard, and the ends of the calendar are no instants in every zone.
_EARLIEST, _LATEST = 1980, 9998


@click.command("log")
@click.argument("unit")
@click.argument("entry")
@click.option("--at", metavar="ISO", help="When it happened; without an offset, the site's local time (default: now).")
@click.option("--by", "person", metavar="PERSON", default="", help="Person code; without it, an unknown passer-by.")
@click.option("--reading", "readings", multiple=True, metavar="K=V", help="self-test=ok, battery=3/4, pads=ok …")
@click.option(
    "--part", "part", multiple=True, metavar="K=V", help="kind=battery, label_date=2031-05, lot=…, udi=…, expected=…"
)
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@click.option("--cpr-minutes", type=click.IntRange(0, NUMBERS["cpr-minutes"]), metavar="N", help="Of a use.")
@click.option("--shocks", type=click.IntRange(0, NUMBERS["shocks"]), metavar="N", help="Of a use.")
@click.option("--child/--adult", "child", default=None, help="Of a use: the mode that the unit was in.")
@click.option(
    "--pads-opened/--pads-not-opened",
    "opened",
    default=None,
    help="Of a use: whether its pads were (default: they were).",
)
@click.option("--accept-odd", is_flag=True, help="Keeps implausible dates of a fitted part, marked.")
@click.option("--to", "site", metavar="SITE", help="Of a move: the site at which the unit stands now.")
@click.option("--spot", metavar="TEXT", help="Of a move: where at the site it stands now.")
@click.option("--covers", metavar="UNIT", help="Of a move: the unit in whose place this loan unit stands now.")
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
    cpr_minutes: int | None,
    shocks: int | None,
    child: bool | None,
    opened: bool | None,
    accept_odd: bool,
    site: str | None,
    spot: str | None,
    covers: str | None,
) -> None:
    """Adds one entry to the log of UNIT: check, fitted, ordered, used, fault, withdrawn, returned …

    For `used` it prints the note for the ambulance crew; in a terminal it asks for what was not given.
    """
    program = desk.program
    if entry not in ENTRIES or entry == "struck":
        raise UserError(
            f"log entry {entry!r} is not known; use one of {', '.join(e for e in ENTRIES if e != 'struck')}"
        )
    unit_id, zone = _unit(program, unit)
    now = program.clock()
    _known_or_nobody(program, person)
    noted = _pairs("--reading", readings)
    given = {"cpr-minutes": cpr_minutes, "shocks": shocks, "mode": None if child is None else _MODES[child]}
    given["pads-opened"] = None if opened is None else "yes" if opened else "no"
    noted = _of_the_use(desk, entry, noted, given)
    noted = _of_the_move(entry, noted, {SITE: site, SPOT: spot, COVERS: covers})
    _known_rule(program, entry, noted)
    new = NewEntry(
        unit_id,
        instant_at(at, zone, now),
        entry,
        person,
        noted,
        _pairs("--part", part),
        note.strip(),
    )
    remarks: list[str] = []
    with program.store.write() as conn:
        entry_id = record(conn, new, now, accept_odd=accept_odd, remarks=remarks)
    reckon_units(program, [unit_id])
    more: dict[str, Any] = {"remarks": remarks} if entry == "fitted" else {}
    if entry == "used":
        with program.store.read() as conn:
            more["crew_note"] = crew_note(conn, entry_id)
    _answer(desk, program, unit, unit_id, entry_id, f"{entry} logged for {unit} as entry {entry_id}", more)
    if "crew_note" in more and not desk.json:
        for line in in_words(more["crew_note"]):
            desk.say(line)
    for remark in remarks:
        desk.err.print(remark, markup=False)
    if not person and entry not in ("fault", "used"):
        desk.err.print(
            "without --by this is the word of an unknown passer-by: bad news in it counts, and nothing else does; "
            f"where you know who it was: nightround strike {entry_id} --why …, and log it again with --by PERSON",
            markup=False,
        )


@click.command("strike")
@click.argument("entry_id", metavar="[ENTRY-ID]", type=int, required=False)
@click.option("--reports-of", "label", metavar="LABEL", help="Instead: all that strangers reported at that cabinet.")
@click.option("--since", metavar="ISO", help="With it: since when; without an offset, the site's local time.")
@click.option("--why", required=True, metavar="TEXT", help="Why it is wrong.")
@click.option("--by", "person", default="", metavar="PERSON", help="Who corrects it.")
@pass_desk
def strike_command(
    desk: Desk, entry_id: int | None, label: str | None, since: str | None, why: str, person: str
) -> None:
    """Corrects the log: the entry stays readable and counts no more.

    `--reports-of LABEL --since ISO` corrects in one act whatever strangers reported at the cabinet with that label (the
    last part of the address that its code leads to). What known people recorded stays.
    """
    program = desk.program
    _known_or_nobody(program, person)
    if label is not None or since is not None:
        if entry_id is not None or label is None or since is None:
            raise click.UsageError("say either ENTRY-ID, or --reports-of LABEL with --since ISO")
        _strike_reports(desk, label, since, why, person)
        return
    if entry_id is None:
        raise click.UsageError("say which entry, or --reports-of LABEL --since ISO")
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
        desk.err.print(_in_it(program, unit_id, unit), markup=False)


def _in_it(program: Program, unit_id: int, unit: str) -> str:
    """What is in a unit by its log, after something was struck out of it."""
    query = select(parts.c.kind, parts.c.lot, parts.c.last_good_day).where(parts.c.unit_id == unit_id)
    with program.store.read() as conn:
        rows = conn.execute(query.where(parts.c.state == "fitted").order_by(parts.c.kind, parts.c.id)).all()
    found = [
        f"{row.kind}{f', lot {row.lot}' if row.lot else ''}, "
        + (f"good to {row.last_good_day}" if row.last_good_day else "no date recorded")
        for row in rows
    ]
    return f"in {unit} without that entry: {'; '.join(found) or 'no part on record'}; if that is not so, log what is"


def _strike_reports(desk: Desk, label: str, since: str, why: str, person: str) -> None:
    program = desk.program
    now = program.clock()
    label = label.rstrip("/").rpartition("/")[2]  # the whole address will do too
    with program.store.write() as conn:
        start = instant_at(since, strangers.zone_at(conn, label), now, "--since")
        unit, unit_id, struck = strangers.strike_reports(conn, label, start, why, person, now)
    reckon_units(program, [unit_id])
    _answer(desk, program, unit, unit_id, struck[-1], f"{counted(len(struck), 'report')} struck", {"struck": struck})


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
            "by": _by(row),
            "readings": json.loads(row.readings),
            "part": json.loads(row.part),
            "note": row.note,
            "strikes": row.strikes,
            "struck_by": struck.get(row.id),
            "discarded_at": row.discarded_at,
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
                _gone(item["discarded_at"], zone) or _noted(item["readings"], item["part"], item["note"]),
                f"by entry {item['struck_by']}" if item["struck_by"] else "",
            )
            for item in found
        ],
    )
    if not found:
        desk.say(f"Nothing has been logged for {unit}.")


def _by(row: Any) -> str:
    if row.discarded_at is not None or row.entry == DISCARDED:
        return row.by_person or "not recorded"
    return row.by_person or "unknown passer-by"


def _gone(discarded_at: datetime | None, zone: str) -> str:
    return "" if discarded_at is None else f"what it said was discarded on {local_day(discarded_at, zone)}"


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


def instant_at(text: str | None, zone: str, now: datetime, option: str = "--at") -> datetime:
    """The instant of `option`, local to the site where it has no offset; now where it is not given."""
    if text is None:
        return now
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise UserError(f"{option} {text!r} is not a time; write it as 2026-11-25T14:30") from None
    if found.year < _EARLIEST:
        raise UserError(f"{option} {text!r} is before there were such devices; write when it happened")
    if found.year > _LATEST:
        raise UserError(f"{option} {text!r} lies in the future; give the time it happened")
    return (found if found.tzinfo is not None else found.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC)


def _pairs(option: str, values: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in values:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise UserError(f"{option} {text!r}: write it as NAME=VALUE")
        found[name.strip()] = value.strip()
    return found


def _of_the_use(desk: Desk, entry: str, noted: dict[str, str], given: dict[str, int | str | None]) -> dict[str, str]:
    """The readings with what was done in a use. Asks a person at a terminal for what is missing, and nobody else."""
    options = {"cpr-minutes": "--cpr-minutes", "shocks": "--shocks", "mode": "--child or --adult"}
    options["pads-opened"] = "--pads-opened or --pads-not-opened"
    asking = entry == "used" and not desk.json and desk.out.is_terminal and sys.stdin.isatty()
    found = dict(noted)
    for name, value in given.items():
        if value is not None and entry != "used":
            raise UserError(f"{options[name]} goes with a use; leave it out, or log: used")
        if value is not None and noted.get(name, str(value)) != str(value):
            raise UserError(f"{options[name]} and --reading {name}={noted[name]} contradict each other; give one")
        if value is not None:
            found[name] = str(value)
        elif asking and name not in found and not (name == "pads-opened" and found.get("shocks", "0") != "0"):
            answer = _ask(name)
            if answer:
                found[name] = answer
    return found


def _of_the_move(entry: str, noted: dict[str, str], given: dict[str, str | None]) -> dict[str, str]:
    """The readings with where a unit was moved to."""
    options = {SITE: "--to", SPOT: "--spot", COVERS: "--covers"}
    found = dict(noted)
    for name, value in given.items():
        if value is None:
            continue
        if entry != "moved":
            raise UserError(f"{options[name]} goes with a move; leave it out, or log: moved")
        if not value.strip():
            raise UserError(f"{options[name]} is empty; say where the unit stands now, or leave it out")
        if noted.get(name, value.strip()) != value.strip():
            raise UserError(f"{options[name]} and --reading {name}={noted[name]} contradict each other; give one")
        found[name] = value.strip()
    return found


def _ask(name: str) -> str:
    """What a person at the terminal says; "" where they do not know."""
    question = {
        "cpr-minutes": "Minutes of CPR",
        "shocks": "Shocks given",
        "mode": "Mode (adult or child)",
        "pads-opened": "Were its pads opened (yes or no)",
    }[name]
    while True:
        answer: str = click.prompt(f"{question}, or Enter if not known", default="", show_default=False).strip().lower()
        if not answer or is_word(name, answer):
            return answer
        click.echo(f"{answer!r} will not do; use {understood(name)}")


def _known_rule(program: Program, entry: str, noted: dict[str, str]) -> None:
    """A report for one rule must name one that asks for it, or it would close nothing and nobody would notice."""
    rule = noted.get("rule")
    if rule is None or entry != "reported":
        return
    if (about := noted.get("about", "use")) in ("registration", "registration-change", "responders"):
        raise UserError(f"a report about={about} is one to whomever the place's rules name; leave rule= out")
    known = sorted(rule.id for rule in load_rulebook(program.settings).rules if rule.subject is Subject.REPORT_USE)
    if rule not in known:
        raise UserError(
            f"no rule {rule!r} asks for the report of a use; give one of: {', '.join(known) or 'none is in force'}"
        )


def _answer(
    desk: Desk, program: Program, unit: str, unit_id: int, entry_id: int, said: str, more: dict[str, Any] | None = None
) -> None:
    with program.store.read() as conn:
        state = conn.execute(
            select(conditions.c.condition, conditions.c.reasons).where(conditions.c.unit_id == unit_id)
        ).one()
    reasons = json.loads(state.reasons)
    if desk.json:
        desk.answer({"entry": entry_id, "unit": unit, "condition": state.condition, "reasons": reasons} | (more or {}))
        return
    desk.say(f"{said}. {unit} is now {state.condition}" + (": " + "; ".join(reasons) if reasons else "") + ".")
