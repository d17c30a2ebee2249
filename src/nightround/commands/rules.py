"""`rules`: which rules bind where and why, which are to come, and whose source was not read for a year."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import click
from sqlalchemy import Connection, select

from ..reckoning.dates import local_day
from ..reckoning.rules import Rule
from ..rounds.announcing import Announcement, announcements
from ..rounds.bindings import (
    CAUTION,
    Bound,
    Kind,
    LeftOut,
    effective_words,
    is_old,
    kinds,
    owed_words,
    place_words,
    sort_out,
    unknown_of,
)
from ..rounds.rulebook import RuleBook
from ..rounds.rulebook import load as load_rulebook
from ..store.tables import sites, units
from .desk import Desk, counted, pass_desk


@click.command("rules")
@click.option("--site", metavar="S", help="Only this site, with every rule in full.")
@click.option("--on", type=click.DateTime(formats=["%Y-%m-%d"]), metavar="DATE", help="On DATE (default: today).")
@pass_desk
def rules_command(desk: Desk, site: str | None, on: datetime | None) -> int:
    """What binds where and why, and what is to come. Exit status 3 where something is announced or flagged."""
    program = desk.program
    book = load_rulebook(program.settings)
    day = on.date() if on is not None else local_day(program.clock(), program.settings.fleet.time_zone)
    with program.store.read() as conn:
        here = [_Here(book, kind, day) for kind in kinds(conn, site)]
        coming = announcements(conn, book, day, site)
        models = _models(conn, site)
    old = _old(book, here, coming, models, day)
    not_known = [{"place": place_words(item.kind.place), "said": said} for item in here for said in item.unknown]
    if desk.json:
        desk.answer(
            {
                "on": day,
                "site": site,
                "places": [item.as_dict(day) for item in here],
                "announced": [item.as_dict() for item in coming],
                "not_verified_for_a_year": old,
                "not_recorded": not_known,
                "caution": CAUTION,
            }
        )
    else:
        if site is None:
            _show_fleet(desk, here, day)
        else:
            _show_site(desk, here[0], site, day)
        for item in coming:
            desk.say(f"To come: {item.sentence()}")
        for flag in old:
            desk.say(flag["said"])
        for lack in not_known:
            desk.say(f"{lack['place']}: {lack['said']}")
        desk.say(CAUTION)
    return 3 if coming or old or not_known else 0


class _Here:
    """The rules at one kind of place on the day."""

    def __init__(self, book: RuleBook, kind: Kind, day: date) -> None:
        self.kind = kind
        self.bound: list[Bound]
        self.left_out: list[LeftOut]
        self.bound, self.left_out = sort_out(book.rules, kind.place, day)
        self.unknown = unknown_of(book.rules, kind.place)

    def as_dict(self, day: date) -> dict[str, Any]:
        place = self.kind.place
        return {
            "country": place.country,
            "subdivision": place.subdivision,
            "site_type": place.site_type,
            "sites": self.kind.sites,
            "units": self.kind.units,
            "rules": [_rule(item.rule, day) | {"why": item.why} for item in self.bound],
            "left_out": [_rule(item.rule, day) | {"why_not": item.why_not} for item in self.left_out],
        }


def _rule(rule: Rule, day: date) -> dict[str, Any]:
    return {
        "rule": rule.id,
        "title": rule.title,
        "subject": str(rule.subject),
        "owed": owed_words(rule),
        "force": str(rule.force),
        "source": rule.source,
        "verified_on": rule.verified_on,
        "verified_more_than_a_year_ago": is_old(rule.verified_on, day),
        "effective_from": rule.effective_from,
        "effective_to": rule.effective_to,
        "in_service_from": rule.in_service_from,
        "replaces": list(rule.replaces),
        "note": rule.note,
    }


def _models(conn: Connection, site: str | None) -> list[str]:
    query = select(units.c.model).join(sites, sites.c.id == units.c.site_id).distinct()
    if site is not None:
        query = query.where(sites.c.site == site)
    return sorted(conn.execute(query).scalars())


def _old(
    book: RuleBook, here: list[_Here], coming: list[Announcement], models: list[str], day: date
) -> list[dict[str, Any]]:
    """Rules that bind or are to come, and sheets of models that stand here, whose source was not read for a year."""
    counted = {item.rule.id: item.rule for place in here for item in place.bound}
    counted |= {item.rule.id: item.rule for item in coming}
    found: list[tuple[str, date, str]] = [
        (f"rule {rule.id}", rule.verified_on, rule.source) for _, rule in sorted(counted.items())
    ]
    sheets = {book.sheets[model].model: book.sheets[model] for model in models if model in book.sheets}
    found += [(f"model sheet {name}", sheet.verified_on, sheet.source) for name, sheet in sorted(sheets.items())]
    return [
        {
            "what": what,
            "verified_on": verified_on,
            "source": source,
            "said": f"{what}: verified {verified_on}, more than a year ago: check the source ({source})",
        }
        for what, verified_on, source in found
        if is_old(verified_on, day)
    ]


def _show_fleet(desk: Desk, here: list[_Here], day: date) -> None:
    desk.say(f"Rules that bind on {day}, by kind of place: {len(here)}")
    columns = ("place", "sites", "units", "about", "rule", "owed", "force", "source", "verified", "in force")
    rows = [
        (
            place_words(place.kind.place),
            place.kind.sites,
            place.kind.units,
            rule.subject,
            f"{rule.title} [{rule.id}]",
            owed_words(rule),
            rule.force,
            rule.source,
            rule.verified_on,
            effective_words(rule) or "always",
        )
        for place in here
        for rule, _ in place.bound
    ]
    desk.table(columns, rows)
    for place in here:
        if not place.bound:
            desk.say(f"{place_words(place.kind.place)}: no rule binds here, so that nothing is owed")
    desk.say("Each rule in full, and which are left out and why: nightround rules --site S")


def _show_site(desk: Desk, here: _Here, site: str, day: date) -> None:
    desk.say(f"Site {site} ({place_words(here.kind.place)}), {counted(here.kind.units, 'unit')}, on {day}")
    columns = ("about", "rule", "owed", "force", "source", "verified", "in force", "binds because", "replaces", "note")
    rows = [
        (
            rule.subject,
            f"{rule.title} [{rule.id}]",
            owed_words(rule),
            rule.force,
            rule.source,
            rule.verified_on,
            _in_force(rule),
            why,
            ", ".join(rule.replaces) or None,
            rule.note or None,
        )
        for rule, why in here.bound
    ]
    desk.table(columns, rows)
    if not here.bound:
        desk.say("No rule binds here, so that nothing is owed.")
    if here.left_out:
        desk.say("Left out:")
        desk.table(
            ("about", "rule", "why not", "force", "source", "verified"),
            [
                (rule.subject, f"{rule.title} [{rule.id}]", why_not, rule.force, rule.source, rule.verified_on)
                for rule, why_not in here.left_out
            ],
        )


def _in_force(rule: Rule) -> str:
    said = effective_words(rule) or "always"
    if rule.in_service_from is not None:
        said += f", for units put in service from {rule.in_service_from}"
    return said
