"""`discard`: shows which old log entries would go and which are held back, and empties them only when told to."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import Any

import click

from ..register.discarding import Discarded, HeldBack, UnitPlan, discard, look
from ..register.gravestones import spans
from ..rounds.bindings import CAUTION
from ..rounds.rulebook import load as load_rulebook
from .desk import Desk, counted, pass_desk


@click.command("discard")
@click.option(
    "--before",
    type=click.DateTime(formats=["%Y-%m-%d"]),
    metavar="DATE",
    required=True,
    help="Only entries that happened before DATE at their site; DATE itself is not touched.",
)
@click.option("--by", "person", metavar="PERSON", default="", help="Who discards; written into the log.")
@click.option("--yes", is_flag=True, help="Do it. Without it, only shows.")
@pass_desk
def discard_command(desk: Desk, before: datetime, person: str, yes: bool) -> None:
    """Discards what old log entries say, where no rule and no date needs them; shows first, and then only with --yes.

    Each leaves a gravestone in the chain, so that verify still proves the rest.
    """
    program = desk.program
    rules = load_rulebook(program.settings).rules
    now, day = program.clock(), before.date()
    with desk.progress("reading the log") as progress:
        if yes:
            found = discard(program.store, rules, day, now, person, progress)
        else:
            found = look(program.store, rules, day, now, progress)
    if desk.json:
        desk.answer(
            {
                "before": day,
                "done": yes,
                "discarded" if yes else "would_discard": found.going,
                "held_back": found.held,
                "units": [_unit(plan) for plan in found.plans],
                "log_entries": found.entries,
                "caution": CAUTION,
            }
        )
        return
    _show(desk, found, yes)
    desk.say(CAUTION)
    if yes:
        desk.say(
            f"Discarded what {counted(found.going, 'entry', 'entries')} said; {found.held} from before {day} are kept."
        )
        desk.say("Copies of the database made before today still hold them.")
    elif found.going:
        desk.say(
            f"{counted(found.going, 'entry', 'entries')} would go and {found.held} from before {day} held back. "
            "Nothing was changed."
        )
        desk.say(f"There is no way back. To do it: nightround discard --before {day} --yes")
    else:
        desk.say(f"Nothing from before {day} can go; {counted(found.held, 'entry is', 'entries are')} held back.")


def _unit(plan: UnitPlan) -> dict[str, Any]:
    return {
        "unit": plan.unit,
        "site": plan.site,
        "goes": _sorted(plan.kinds),
        "entries": spans(plan.going),
        "held_back": [
            {
                "why": why,
                "rule": None if rule is None else rule.id,
                "title": None if rule is None else rule.title,
                "force": None if rule is None else str(rule.force),
                "source": None if rule is None else rule.source,
                "verified_on": None if rule is None else rule.verified_on,
                "entries": _sorted(kinds),
            }
            for (why, rule), kinds in _ordered(plan)
        ],
    }


def _show(desk: Desk, found: Discarded, yes: bool) -> None:
    rows: list[tuple[object, ...]] = []
    for plan in found.plans:
        if plan.going:
            rows.append((plan.unit, plan.site, "gone" if yes else "goes", _counted(plan.kinds), "", ""))
        rows += [
            (plan.unit, plan.site, "stays", _counted(kinds), why, "" if rule is None else rule.source)
            for (why, rule), kinds in _ordered(plan)
        ]
    desk.table(("unit", "site", "", "entries", "held back because", "source"), rows)


def _ordered(plan: UnitPlan) -> list[tuple[HeldBack, Counter[str]]]:
    return sorted(plan.held.items(), key=lambda item: item[0].why)


def _sorted(kinds: Counter[str]) -> dict[str, int]:
    return dict(sorted(kinds.items()))


def _counted(kinds: Counter[str]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
