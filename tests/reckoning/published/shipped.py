"""The shipped rule book, and a unit reckoned under one of its rules alone."""

from __future__ import annotations

from datetime import date, datetime
from functools import lru_cache

from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.facts import Evidence, Part, Place, UnitFacts
from nightround.reckoning.owed import Duty
from nightround.reckoning.rules import Rule
from nightround.rounds.rulebook import RuleBook, load
from nightround.settings import Settings


@lru_cache(maxsize=1)
def book() -> RuleBook:
    return load(Settings())


def d(text: str) -> date:
    return date.fromisoformat(text)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def place(country: str, subdivision: str = "", site_type: str = "", zone: str = "UTC") -> Place:
    return Place(zone, country, subdivision, site_type)


def duty_of(rules: tuple[Rule, ...], where: Place, day: str, evidence: Evidence, kind: str, since: str = "") -> Duty:
    """The duty of that kind of a unit with good parts and this evidence, on the day, under these rules."""
    parts = (
        Part(1, "pads-adult", "fitted", date(2040, 1, 31), None),
        Part(2, "battery", "fitted", date(2040, 1, 31), None),
    )
    facts = UnitFacts("U-1", "", d(since) if since else None, parts, evidence)
    working = working_days(where.country, where.subdivision)
    found = Reckoner(where, rules, {}, working, d(day)).unit(facts).duties
    (duty,) = [duty for duty in found if duty.kind == kind]
    return duty
