"""`round`, `today`, `duties`, `cases`, `take`, `serve`: the night's work and what it found."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime
from typing import Any

import click
from sqlalchemy import Connection, func, select

from .. import emergency, logs, masking
from ..bootstrap import Program
from ..cases import listing
from ..cases.absences import first_known
from ..cases.rota.saying import OnCall, on_call_now
from ..cases.taking import take
from ..errors import UserError
from ..letters.held import held_back
from ..letters.put_off import put_off
from ..reckoning.dates import local_day
from ..reckoning.staffing import CONTACT, RESPONDERS
from ..register.closures import closed_now
from ..rounds.announcing import announcements
from ..rounds.asking import Wanted, duties_on, stored_duties
from ..rounds.marked import take_up
from ..rounds.rulebook import load as load_rulebook
from ..rounds.todays import today
from ..rounds.troubles import Kind, take_clock_for_right, troubles
from ..store.tables import sites, units
from .desk import Desk, counted, pass_desk
from .post import show_put_off
from .rota import in_zone
from .troubles import speak_of_troubles

DAY = click.DateTime(formats=["%Y-%m-%d"])
_FIRST_YEAR, _LAST_YEAR = 1980, 2200
SHORT = 5  # rows of each lesser list, so that all of it is one screen


def _day(value: datetime | None) -> date | None:
    """The day an option names. Raises UserError for one so far off that it must be a slip of the keyboard."""
    if value is None:
        return None
    if not _FIRST_YEAR <= value.year <= _LAST_YEAR:
        raise UserError(f"{value.date()} is too far off; give a day from {_FIRST_YEAR} to {_LAST_YEAR}")
    return value.date()


@click.command("round")
@click.option("--on", type=DAY, metavar="DATE", help="A civil date (default: today in each zone).")
@click.option("--zone", metavar="ZONE", help="Only this IANA time zone.")
@pass_desk
def round_command(desk: Desk, on: datetime | None, zone: str | None) -> int:
    """Runs the round, once: reckons every unit, writes what moved, stores the letters that are owed."""
    from ..rounds.loading import zones
    from ..sweeping import rounds_on

    program = desk.program
    day = _day(on)
    with program.store.read() as conn:
        known = zones(conn)
        count = conn.execute(select(func.count()).select_from(units)).scalar_one()
    if zone is not None and zone not in known:
        raise UserError(f"no site is in the zone {zone!r}; zones of the fleet: {', '.join(known) or 'none'}")
    wanted = known if zone is None else [zone]
    now = program.clock()
    with desk.progress("reckoning") as show:
        done = 0

        def more(units_done: int) -> None:
            nonlocal done
            done += units_done
            show(done, count)

        if day is not None:
            looked = rounds_on(program, day, wanted, more)
        else:
            looked = _today_everywhere(program, {zone: local_day(now, zone) for zone in wanted}, more)
    away = [r.zone for r in looked.rounds if r.in_other_hands]
    if away:
        desk.err.print(
            f"not run: another process has the round of {', '.join(away)} in hand; wait for it, "
            "or a quarter of an hour if it was killed, and run this again",
            markup=False,
        )
    if day is not None and any(local_day(now, name) != day for name in wanted):
        desk.err.print(
            f"careful: duties, cases and letters now say what holds on {day}, which is not today; set them right with: "
            "nightround round (to look only: nightround duties --on DATE)",
            markup=False,
        )
    wrong = speak_of_troubles(desk, {Kind.NOT_TODAY, Kind.NOT_RUNNING, Kind.ROUND_OWED})
    if desk.json:
        desk.answer(_joined(looked.rounds, looked.messages, day or now.date(), zone))
        return 1 if away else 3 if wrong else 0
    columns = ("zone", "on", "units", "duties", "moves", "cases opened", "cases closed", "seconds")
    rows = [
        (r.zone, r.on, r.units, r.duties, r.moves, r.cases_opened, r.cases_closed, r.seconds) for r in looked.rounds
    ]
    desk.table(columns, rows)
    desk.say(f"{counted(sum(r.moves for r in looked.rounds), 'move')}, {counted(looked.messages, 'message')}")
    if looked.taken_up is not None:
        desk.say(f"First, {counted(looked.taken_up.units, 'unit')} reckoned for what was recorded before and left.")
    findings = [finding for r in looked.rounds for finding in r.findings]
    _say_aside(desk, findings)
    return 1 if away else 3 if findings or wrong else 0


def _say_aside(desk: Desk, findings: list[dict[str, str]]) -> None:
    for finding in findings:
        desk.err.print(f"set aside: unit {finding['unit']}: {finding['why']}", markup=False)


def _today_everywhere(program: Any, dates: dict[str, date], progress: Any) -> Any:
    from ..rounds.tonight import RoundResult, run_round
    from ..sweeping import LookedRound, letters

    book = load_rulebook(program.settings)
    looked = LookedRound(taken_up=take_up(program, book))
    for zone, on in dates.items():
        looked.rounds.append(
            run_round(program, zone, on, book, progress, again=True) or RoundResult(on, zone, in_other_hands=True)
        )
    looked.messages = letters(program)
    with program.store.write() as conn:
        take_clock_for_right(conn, program.clock())
    return looked


def _joined(rounds: list[Any], messages: int, on: date, zone: str | None) -> dict[str, Any]:
    return {
        "on": on,
        "zone": zone or ", ".join(r.zone for r in rounds),
        "units": sum(r.units for r in rounds),
        "duties": sum(r.duties for r in rounds),
        "moves": sum(r.moves for r in rounds),
        "cases_opened": sum(r.cases_opened for r in rounds),
        "cases_closed": sum(r.cases_closed for r in rounds),
        "messages": messages,
        "seconds": round(sum(r.seconds for r in rounds), 3),
        "rounds": [r.as_dict() for r in rounds],
    }


@click.command("today")
@pass_desk
def today_command(desk: Desk) -> int:
    """What is wrong today, worst first, in one screen. Exit status 3 where something is."""
    program = desk.program
    with program.store.read() as conn:
        found = today(conn, program.clock(), 1000 if desk.json else 8)
        found |= _to_come(conn, program)
        rota = on_call_now(conn, program.settings, program.clock())
        found["closed"] = [dataclasses.asdict(site) for site in closed_now(conn, program.clock())]
        found["rota"] = rota.as_dict() | {"gaps": rota.as_dict()["gaps"][: len(rota.soon)]}
        wrong_now = troubles(conn, program.settings, program.clock(), full=program.store.full)
        held = held_back(conn, program.settings, program.clock())
        countries = conn.execute(select(sites.c.country).distinct()).scalars()
        call = emergency.words(program.settings, set(countries))
        found["held_back"] = None if held is None else held.as_dict()
        waiting = put_off(conn, program.settings)
        found["put_off"] = [one.as_dict() for one in waiting]
        found["troubles"] = [trouble.as_dict() for trouble in wrong_now]
    wrong = bool(
        found["rules_unreadable"]
        or found["troubles"]
        or found["not_to_be_relied_on"]
        or found["standings"]["overdue"]
        or found["letters"]["given up"]
        or rota.found
        or any(row["late"] or row["other_day"] for row in found["rounds"])
    )
    if desk.json:
        desk.answer(found)
    else:
        _show(desk, found, call)
        show_put_off(desk, waiting)
        if held is not None:
            desk.say(f"{held.line(in_zone(first_known(desk.settings.fleet.time_zone)), named=True)}.")
        _say_rota(desk, rota)
        with program.store.read() as conn:
            _say_closed(desk, conn, program.clock())
    return 3 if wrong else 0


def _say_rota(desk: Desk, rota: OnCall) -> None:
    say = in_zone(first_known(desk.settings.fleet.time_zone))
    for sentence in (rota.line(say), *rota.wrong(say)):
        desk.say(f"{sentence}.")


def _say_closed(desk: Desk, conn: Connection, now: datetime, site: str | None = None) -> None:
    """Which sites are closed now; what they owe stays owed and listed."""
    closed = [found for found in closed_now(conn, now) if site in (None, found.site)]
    for found in closed[:SHORT]:
        desk.say(f"{found.line()}.")
    if len(closed) > SHORT:
        desk.say(f"{len(closed) - SHORT} more sites are closed; see: nightround close-site --list")


def _to_come(conn: Connection, program: Program) -> dict[str, Any]:
    """The rules to come, today in the fleet's own zone; a faulty pack is said and does not hide the rest."""
    on = local_day(program.clock(), program.settings.fleet.time_zone)
    try:
        book = load_rulebook(program.settings)
    except UserError as error:
        return {"rules_to_come": [], "rules_unreadable": str(error)}
    coming = [item.as_dict() for item in announcements(conn, book, on)]
    return {"rules_to_come": coming, "rules_unreadable": ""}


def _show(desk: Desk, found: dict[str, Any], call: str) -> None:
    _say_troubles(desk, found["troubles"])
    _say_rounds(desk, found["rounds"])
    states = found["conditions"]
    desk.say(f"{counted(found['units'], 'unit')}: " + ", ".join(f"{count} {name}" for name, count in states.items()))
    _list(
        desk,
        f"Not to be relied on: {states['not to be relied on']}",
        [
            (row["unit"], row["site_name"] or row["site"], row["spot"], "; ".join(row["reasons"]))
            for row in found["not_to_be_relied_on"]
        ],
        states["not to be relied on"],
        ("unit", "site", "spot", "why"),
    )
    for name, title in (("overdue", "Overdue"), ("order_now", "Order now"), ("open", "Open")):
        total = found["standings"][name.replace("_", " ")]
        when = "order_by" if name == "order_now" else "last_good_day"
        rows = [
            (_whose(d), d["site"], d["subject"], _when(d, when), d["responsible"], d["because"][0]["title"])
            for d in found[name][:SHORT]
        ]
        columns = ("unit", "site", "what", when.replace("_", " "), "who", "because")
        _list(desk, f"{title}: {total}", rows, total, columns)
    for name, what in (("without_contact", "Without contact"), ("short_of_responders", "Too few responders in date")):
        if found[name]:
            more = f" and {len(found[name]) - SHORT} more" if len(found[name]) > SHORT else ""
            desk.say(f"{what}: {', '.join(found[name][:SHORT])}{more}.")
    dateless = found["standings"]["not recorded"]
    desk.say(f"Not recorded: {counted(dateless, 'duty has', 'duties have')} no date on record.")
    cases, letters = found["cases"], found["letters"]
    desk.say(f"Cases: {cases['open']} open, {cases['taken']} taken.")
    desk.say(f"Letters: {letters['waiting']} waiting, {letters['given up']} given up.")
    if found["rules_unreadable"]:
        desk.say(f"No round can run: {found['rules_unreadable']}")
    coming = found["rules_to_come"]
    if coming:
        touched = {unit for item in coming for unit in item["units"]}
        what = "1 rule starts" if len(coming) == 1 else f"{len(coming)} rules start"
        desk.say(
            f"Rules to come: {what} within 90 days, the first on {coming[0]['starts_on']}: {coming[0]['title']}; "
            f"units touched: {len(touched)}; see: nightround rules"
        )
    for finding in found["set_aside"]:
        desk.say(f"set aside by the last round: unit {finding['unit']}: {finding['why']}")
    if states["not to be relied on"]:
        desk.say(
            "Leave a unit that is not to be relied on where it is until another is there; in an emergency call "
            f"{call} and follow the device's own prompts."
        )


def _whose(duty: dict[str, Any]) -> str:
    """The unit or the person; "site" for what a site owes about its people, "spare" for a part kept there."""
    other = "site" if duty["kind"] in (CONTACT, RESPONDERS) else "spare"
    return str(duty["unit"] or duty["person"] or other)


def _when(duty: dict[str, Any], field: str) -> object:
    """The day; with its minute at the site where a rule counts hours."""
    deadline = duty["deadline_local"]
    if field == "last_good_day" and deadline is not None:
        return f"{deadline:%Y-%m-%d %H:%M} ({deadline.tzname()})"
    return duty[field]


def _say_troubles(desk: Desk, found: list[dict[str, Any]]) -> None:
    """What is wrong with the service itself, before everything that may be wrong because of it."""
    for trouble in found:
        if trouble["kind"] != Kind.NOT_TODAY:  # stands among the rounds
            detail = f" ({trouble['detail']})" if trouble["detail"] else ""
            desk.say(f"TROUBLE  {trouble['said']}{detail} {trouble['cure'][:1].upper()}{trouble['cure'][1:]}.")


def _say_rounds(desk: Desk, rounds: list[dict[str, Any]]) -> None:
    """The age of the last round first: everything below is as old as that."""
    never = [row["zone"] for row in rounds if row["hours_ago"] is None]
    late = [row for row in rounds if row["late"] and row["hours_ago"] is not None]
    if never:
        desk.say(f"LATE  no round has ever run for {', '.join(never)}; run: nightround round")
    for row in late:
        desk.say(f"LATE  the round for {row['zone']} last ran {row['hours_ago']} hours ago; is the service running?")
    other = [row for row in rounds if row["other_day"]]
    for row in other:
        desk.say(
            f"NOT TODAY  what stands here for {row['zone']} is that of {row['on']}, for which a round was run by hand; "
            "run: nightround round"
        )
    if rounds and not never and not late and not other:
        desk.say(f"Last round at most {max(row['hours_ago'] for row in rounds)} hours ago in every zone.")


def _rule(because: list[dict[str, Any]]) -> str:
    winner = because[0]
    source = (
        winner["source"] if winner["source"].startswith(winner["force"]) else f"{winner['force']}, {winner['source']}"
    )
    return f"{winner['title']} ({source})"


def _list(desk: Desk, title: str, rows: list[tuple[Any, ...]], total: int, columns: tuple[str, ...]) -> None:
    if not total:
        return
    desk.say(title)
    desk.table(columns, rows)
    if total > len(rows):
        desk.say(f"and {total - len(rows)} more; all of them with their reasons: nightround duties")


@click.command("duties")
@click.option("--unit", metavar="CODE", help="Only this unit.")
@click.option("--site", metavar="S", help="Only this site.")
@click.option("--until", type=DAY, metavar="DATE", help="Only those whose last good day is on or before DATE.")
@click.option("--standing", metavar="S", help="ahead, order now, open, overdue or not recorded.")
@click.option("--on", type=DAY, metavar="DATE", help="As a round on DATE would find them; writes nothing.")
@pass_desk
def duties_command(
    desk: Desk, unit: str | None, site: str | None, until: datetime | None, standing: str | None, on: datetime | None
) -> None:
    """What is owed, worst first, and why."""
    program = desk.program
    day = _day(on)
    today = local_day(program.clock(), program.settings.fleet.time_zone)
    wanted = Wanted(unit, site, _day(until), standing, today=today)
    with program.store.read() as conn:
        if day is None:
            found = stored_duties(conn, wanted)
        else:
            aside: list[dict[str, str]] = []
            found = duties_on(conn, load_rulebook(program.settings), day, wanted, program.settings, aside)
            _say_aside(desk, aside)
    if desk.json:
        desk.answer(found)
        return
    columns = ("standing", "last good day", "order by", "unit", "site", "what", "who", "because")
    rows = [
        (
            d["standing"],
            _when(d, "last_good_day"),
            d["order_by"],
            _whose(d),
            d["site"],
            d["subject"],
            d["responsible"],
            f"{d['because'][0]['evidence']} – {_rule(d['because'])}" if d["because"] else "",
        )
        for d in found
    ]
    desk.table(columns, rows)
    if not rows:
        desk.say("Nothing of that kind is owed.")
    with program.store.read() as conn:
        _say_closed(desk, conn, program.clock(), site)


@click.command("cases")
@click.option("--all", "everything", is_flag=True, help="Closed ones too.")
@click.option("--closed", is_flag=True, help="Only closed ones.")
@click.option("--case", "number", type=int, metavar="N", help="One case, with what became of it.")
@pass_desk
def cases_command(desk: Desk, everything: bool, closed: bool, number: int | None) -> int:
    """Open matters that need a person now, worst first. Exit status 3 where there are any."""
    if (everything, closed, number is not None).count(True) > 1:
        raise UserError("--all, --closed and --case do not go together; give one of them")
    program = desk.program
    now = program.clock()
    with program.store.read() as conn:
        if number is not None:
            return _one_case(desk, listing.one(conn, number, now))
        which = listing.Which.ALL if everything else listing.Which.CLOSED if closed else listing.Which.OPEN
        found = listing.listed(conn, now, which)
    if desk.json:
        desk.answer(found)
    else:
        columns = ("case", "severity", "state", "unit", "site", "since", "what", "kind")
        rows = [
            (c["case"], c["severity"], c["said"], *_where(c), c["opened_on"], "; ".join(c["reasons"]), c["kind"])
            for c in found
        ]
        desk.table(columns, rows)
        if not found:
            desk.say("No case." if everything else "No closed case." if closed else "No open case.")
    return 3 if any(c["state"] in ("open", "taken") for c in found) else 0


def _where(case: dict[str, Any]) -> tuple[str, str]:
    """The unit, or how many cases; and the site, else the person or the time zone whose matter it is."""
    unit = f"{len(case['members'])} cases" if case["is_group"] else case["unit"] or ""
    return unit, case["site"] or case["person"] or case["zone"] or ""


def _one_case(desk: Desk, case: dict[str, Any]) -> int:
    if desk.json:
        desk.answer(case)
    else:
        where = " ".join(_where(case)).strip()
        desk.say(f"Case {case['case']}, {case['kind']}, {case['severity']}: {case['said']} ({where}).")
        if case["group"] is not None:
            desk.say(f"It is told, taken and listed with others as case {case['group']}.")
        for reason in case["reasons"]:
            desk.say(f"  {reason}")
        if case["members"]:
            columns = ("case", "unit", "kind", "state")
            desk.table(columns, [tuple(member[name] for name in columns) for member in case["members"]])
        desk.table(
            ("at", "what", "by", "said"),
            [(e["at"].isoformat(timespec="minutes"), e["what"], e["by"], e["said"]) for e in case["history"]],
        )
    return 3 if case["state"] in ("open", "taken") else 0


@click.command("take")
@click.argument("case", type=int)
@click.option("--by", "person", required=True, metavar="P", help="The person who has it.")
@click.option("--until", metavar="ISO", help="Until when, a day included (default: 24 hours on).")
@pass_desk
def take_command(desk: Desk, case: int, person: str, until: str | None) -> None:
    """Says that a person has a case in hand, until a time; it comes back if its cause remains."""
    from ..cases.taking import parse_until

    program = desk.program
    now = program.clock()
    ends = parse_until(until, now, desk.settings.fleet.time_zone)
    with program.store.write() as conn:
        take(conn, case, person, ends, now)
    if desk.json:
        desk.answer({"case": case, "taken_by": person, "until": ends})
    else:
        desk.say(f"Case {case} is with {person} until {ends.isoformat(timespec='minutes')}.")


@click.command("serve")
@pass_desk
def serve_command(desk: Desk) -> None:
    """The service: rounds, letters, feed and pages, until it is told to stop."""
    from ..daemon import serve

    program = desk.program
    logs.start(masking.of(program.settings))
    serve(program)
