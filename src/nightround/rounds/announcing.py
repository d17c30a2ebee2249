"""Announces rules that start within the next ninety days, with the units that each will touch. Writes nothing."""

from __future__ import annotations

from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, or_, select

from ..reckoning.facts import Place
from ..reckoning.rules import Rule, announced, binding
from ..store.tables import sites, units
from .bindings import Kind, kinds, owed_words
from .rulebook import RuleBook

_NAMED = 12  # units named in a sentence; the rest is counted


class Announcement(NamedTuple):
    """A rule to come and what it will touch: codes of sites and units, in order.

    `day_unknown` are those of the units of which no day of putting in service is recorded, where the rule asks for
    one: it may touch them or not.
    """

    rule: Rule
    starts_on: date  # the first day on which it binds
    days_ahead: int
    sites: tuple[str, ...]
    units: tuple[str, ...]
    day_unknown: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For a JSON answer."""
        return {
            "rule": self.rule.id,
            "title": self.rule.title,
            "subject": str(self.rule.subject),
            "owed": owed_words(self.rule),
            "force": str(self.rule.force),
            "source": self.rule.source,
            "verified_on": self.rule.verified_on,
            "starts_on": self.starts_on,
            "days_ahead": self.days_ahead,
            "in_service_from": self.rule.in_service_from,
            "replaces": list(self.rule.replaces),
            "sites": list(self.sites),
            "units": list(self.units),
            "day_unknown": list(self.day_unknown),
            "said": self.sentence(),
        }

    def sentence(self) -> str:
        """What starts when, by which source, and whom it touches."""
        rule = self.rule
        said = (
            f"From {self.starts_on}, in {_count(self.days_ahead, 'day')}: {rule.title} "
            f"({rule.force}, {rule.source}; verified {rule.verified_on})."
        )
        if rule.in_service_from is not None:
            said += f" It is about units put in service from {rule.in_service_from}."
        if not self.units:
            return f"{said} It touches no unit on record today."
        said += f" It will touch {_count(len(self.units), 'unit')}: {_named(self.units)}."
        if self.day_unknown:
            said += f" No day of putting in service is recorded for {_named(self.day_unknown)}: it may touch them."
        return said


def announcements(
    conn: Connection, book: RuleBook, day: date, site: str | None = None, among: ColumnElement[bool] | None = None
) -> list[Announcement]:
    """The rules that will bind somewhere in the fleet and start within ninety days after the day, the earliest first.

    Only at one site where `site` is its code, or only at the sites for which the clause `among` holds. Raises
    UserError for a site that is not known. A rule that another replaces on its first day is not announced.
    """
    where = _coming(book, kinds(conn, site, among), day)
    found = []
    for rule, places in where.items():
        assert rule.effective_from is not None  # `announced` gives no other
        query = _units_of(rule)
        if site is not None:
            query = query.where(sites.c.site == site)
        if among is not None:
            query = query.where(among)
        rows = [row for row in conn.execute(query) if Place("", row[2], row[3], row[4]) in places]
        touched = [row for row in rows if row.unit is not None and rule.touches(row.in_service_on)]
        unknown = [row.unit for row in touched if rule.in_service_from is not None and row.in_service_on is None]
        found.append(
            Announcement(
                rule,
                rule.effective_from,
                (rule.effective_from - day).days,
                tuple(dict.fromkeys(row.site for row in rows)),
                tuple(row.unit for row in touched),
                tuple(unknown),
            )
        )
    return sorted(found, key=lambda item: (item.starts_on, item.rule.id))


def _coming(book: RuleBook, fleet_kinds: list[Kind], day: date) -> dict[Rule, set[Place]]:
    where: dict[Rule, set[Place]] = {}
    for kind in fleet_kinds:
        for rule in announced(book.rules, kind.place, day):
            if rule.effective_from is not None and rule in binding(book.rules, kind.place, rule.effective_from):
                where.setdefault(rule, set()).add(kind.place)
    return where


def _units_of(rule: Rule) -> Select[Any]:
    """Sites in the rule's scope with their units that it can be about; a site without such a unit has one row."""
    about = units.c.site_id == sites.c.id
    if rule.in_service_from is not None:
        about &= or_(units.c.in_service_on.is_(None), units.c.in_service_on >= rule.in_service_from)
    query = (
        select(
            sites.c.site,
            units.c.unit,
            sites.c.country,
            sites.c.subdivision,
            sites.c.site_type,
            units.c.in_service_on,
        )
        .outerjoin(units, about)
        .order_by(sites.c.site, units.c.unit)
    )
    if rule.country:
        query = query.where(sites.c.country == rule.country)
    if rule.subdivision:
        query = query.where(sites.c.subdivision == rule.subdivision)
    return query


def _named(codes: tuple[str, ...]) -> str:
    shown = ", ".join(codes[:_NAMED])
    return shown if len(codes) <= _NAMED else f"{shown} and {len(codes) - _NAMED} more"


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"
