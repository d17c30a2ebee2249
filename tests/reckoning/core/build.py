"""Small builders for reckoning tests: rules, places and units in a line each."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.facts import Evidence, Part, Place, UnitFacts
from nightround.reckoning.owed import Duty, Reckoned
from nightround.reckoning.rules import Force, ModelSheet, Rule, Shape, Span, Subject

NOWHERE = Place("UTC", "", "", "")
MONTHLY = Shape(Span.MONTHS, 1)
LABEL = Shape(Span.LABEL)
SEEN = date(2026, 11, 25)


def d(text: str) -> date:
    return date.fromisoformat(text)


def rule(id_: str, subject: Subject, shape: Shape, **more: Any) -> Rule:
    fields: dict[str, Any] = {
        "id": id_,
        "title": id_,
        "subject": subject,
        "shape": shape,
        "country": "",
        "subdivision": "",
        "site_types": (),
        "force": Force.HOUSE,
        "source": "house",
        "verified_on": SEEN,
    }
    return Rule(**(fields | more))


HOUSE = (
    rule("house-look", Subject.LOOK, MONTHLY),
    rule("house-pads", Subject.PADS, LABEL, order_lead_months=3),
    rule("house-battery", Subject.BATTERY, LABEL, order_lead_months=3),
    rule("house-kit", Subject.KIT, LABEL, order_lead_months=3),
)
SHEET = ModelSheet("Model A", "its manual", SEEN, standby_months=60, pads=("pads-adult",), battery_bars=4)


def part(kind: str, good: str | None, state: str = "fitted", id_: int = 1, fitted_on: str | None = None) -> Part:
    return Part(id_, kind, state, d(good) if good else None, d(fitted_on) if fitted_on else None)


def good_parts() -> tuple[Part, ...]:
    return (part("pads-adult", "2028-06-30"), part("battery", "2030-06-30", id_=2))


def unit(
    evidence: Evidence | None = None,
    parts: Iterable[Part] | None = None,
    in_service_on: str | None = "2025-01-01",
    model: str = "",
) -> UnitFacts:
    return UnitFacts(
        "U-1",
        model,
        d(in_service_on) if in_service_on else None,
        tuple(good_parts() if parts is None else parts),
        evidence or Evidence(looked_on=d("2026-11-20")),
    )


def reckon(
    facts: UnitFacts,
    day: str,
    rules: Iterable[Rule] = HOUSE,
    sheets: Iterable[ModelSheet] = (),
    place: Place = NOWHERE,
) -> Reckoned:
    working = working_days(place.country, place.subdivision)
    return Reckoner(place, tuple(rules), {sheet.model: sheet for sheet in sheets}, working, d(day)).unit(facts)


def duty(reckoned: Reckoned, kind: str, state: str = "") -> Duty:
    found = [item for item in reckoned.duties if item.kind == kind and state in item.key]
    assert len(found) == 1, [item.key for item in reckoned.duties]
    return found[0]
