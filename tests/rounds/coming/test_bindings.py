"""What binds where, why, what is left out, and how a rule's shape is said."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import Connection, insert

from nightround.errors import UserError
from nightround.reckoning.facts import Place
from nightround.reckoning.rules import Rule, Shape, Span, Subject, binding
from nightround.rounds.bindings import (
    effective_words,
    is_old,
    kinds,
    owed_words,
    place_words,
    sort_out,
    unknown_of,
)
from nightround.rounds.rulebook import load
from nightround.settings import Settings
from nightround.store.database import Store
from nightround.store.tables import sites, units
from tests.reckoning.core.build import MONTHLY, d, rule

TODAY = d("2026-11-25")
WEEKLY = Shape(Span.DAYS, 7)


def look(name: str, shape: Shape = MONTHLY, **more: object) -> Rule:
    return rule(name, Subject.LOOK, shape, **more)


def place(country: str = "", subdivision: str = "", site_type: str = "") -> Place:
    return Place("", country, subdivision, site_type)


EVERYWHERE = look("house")
STATE = look("state", country="US", subdivision="MD")
SCHOOL = look("school", WEEKLY, country="US", subdivision="MD", site_types=("school",), replaces=("state",))
ENDED = look("ended", country="US", effective_to=d("2015-12-31"))
LATER = look("later", country="US", effective_from=d("2027-01-01"))
RULES = (EVERYWHERE, STATE, SCHOOL, ENDED, LATER)


def test_a_rule_says_by_what_it_binds_and_one_left_out_says_why() -> None:
    bound, left_out = sort_out(RULES, place("US", "MD", "school"), TODAY)
    assert [(rule.id, why) for rule, why in bound] == [
        ("house", "every place"),
        ("school", "country US, subdivision MD, site type school"),
    ]
    assert [(rule.id, why) for rule, why in left_out] == [
        ("ended", "ended 2015-12-31"),
        ("later", "starts 2027-01-01"),
        ("state", "replaced by school"),
    ]


def test_a_rule_of_another_place_is_not_spoken_of() -> None:
    bound, left_out = sort_out(RULES, place("DE"), TODAY)
    assert [item.rule.id for item in bound] == ["house"]
    assert left_out == []


def test_a_rule_replaced_by_one_not_yet_in_force_still_binds() -> None:
    rules = (EVERYWHERE, look("newer", replaces=("house",), effective_from=d("2027-01-01")))
    assert [item.rule.id for item in sort_out(rules, place(), d("2026-12-31"))[0]] == ["house"]
    bound, left_out = sort_out(rules, place(), d("2027-01-01"))
    assert [item.rule.id for item in bound] == ["newer"]
    assert [(item.rule.id, item.why_not) for item in left_out] == [("house", "replaced by newer")]


@pytest.mark.parametrize("day", [d("2010-01-01"), TODAY, d("2027-01-01"), d("2030-06-30")])
@pytest.mark.parametrize("where", [place("US", "CA"), place("US", "MD", "school"), place("DE"), place("KR"), place()])
def test_of_the_shipped_packs_what_is_said_to_bind_is_what_reckoning_uses(where: Place, day: date) -> None:
    rules = load(Settings()).rules
    bound, left_out = sort_out(rules, where, day)
    assert {item.rule.id for item in bound} == {rule.id for rule in binding(rules, where, day)}
    here = {rule.id for rule in rules if rule.binds_at(where)}
    assert {item.rule.id for item in bound} | {item.rule.id for item in left_out} == here
    assert all(item.why_not.startswith(("ended ", "starts ", "replaced by ")) for item in left_out)
    assert all(len(item.why_not) > len("replaced by ") for item in left_out)


def test_what_a_place_lacks_for_a_rule_to_be_judged_is_said() -> None:
    assert unknown_of(RULES, place("US", "MD", "school")) == []
    assert "rules for school" in unknown_of(RULES, place("US", "MD"))[0]
    assert "rules of MD" in unknown_of(RULES, place("US"))[0]
    assert "no country" in unknown_of(RULES, place())[0]
    # nothing to say where no rule looks at it
    assert unknown_of(RULES, place("US", "CA")) == []
    assert unknown_of(RULES, place("DE")) == []
    assert unknown_of([EVERYWHERE], place()) == []


@pytest.mark.parametrize(
    ("verified", "day", "old"),
    [
        ("2025-10-01", "2026-11-25", True),
        ("2025-11-25", "2026-11-25", False),  # a year to the day is not more than a year
        ("2025-11-24", "2026-11-25", True),
        ("2024-02-29", "2025-02-28", False),  # clamped, RFC 7529
        ("2024-02-29", "2025-03-01", True),
    ],
)
def test_a_source_is_old_when_it_was_read_more_than_a_year_ago(verified: str, day: str, old: bool) -> None:
    assert is_old(d(verified), d(day)) is old


@pytest.mark.parametrize(
    ("subject", "shape", "said"),
    [
        (Subject.LOOK, Shape(Span.DAYS, 90), "at least every 90 days"),
        (Subject.LOOK, Shape(Span.MONTHS, 1), "at least every month"),
        (Subject.TEST, Shape(Span.MONTHS_TO_MONTH_END, 24), "at least every 24 months, to the end of the month"),
        (Subject.LOOK, Shape(Span.EACH, period="week"), "once each ISO week, Monday to Sunday"),
        (Subject.LOOK, Shape(Span.EACH, period="quarter"), "once each calendar quarter"),
        (Subject.TEST, Shape(Span.PER_MODEL), "as often as the model sheet says"),
        (Subject.LOOK, Shape(Span.WORKING_DAYS, 5), "at least every 5 working days"),
        (Subject.RESTORE, Shape(Span.AT_ONCE), "at once"),
        (Subject.REPORT_USE, Shape(Span.HOURS, 72), "within 72 hours"),
        (Subject.REPORT_USE, Shape(Span.WORKING_DAYS, 5), "within 5 working days"),
        (Subject.REPORT_USE, Shape(Span.DAYS, 1), "within 1 day"),
        (Subject.PADS, Shape(Span.LABEL), "by its label date"),
        (Subject.BATTERY, Shape(Span.MONTHS, 48), "within 48 months of being fitted"),
        (Subject.RECORDS, Shape(Span.KEPT_MONTHS, 24), "kept for 24 months"),
        (Subject.RECORDS, Shape(Span.KEPT_FOR_LIFE), "kept for the life of the unit"),
        (Subject.RECORDS, Shape(Span.KEPT_UNTIL_NEXT_CHECK), "kept until the next check"),
        (Subject.RECORDS, Shape(Span.KEPT_AFTER_ROLE, 36), "kept while the person has the role and 36 months after"),
        (Subject.KIT, Shape(Span.EACH, period="year"), "by the end of the year after the one in which it was fitted"),
    ],
)
def test_a_shape_is_said_in_words(subject: Subject, shape: Shape, said: str) -> None:
    assert owed_words(rule("x", subject, shape)) == said


def test_every_shipped_rule_can_be_said() -> None:
    for shipped in load(Settings()).rules:
        assert owed_words(shipped)


def test_when_a_rule_counts_is_said_with_its_first_and_last_day() -> None:
    assert effective_words(EVERYWHERE) == ""
    assert effective_words(ENDED) == "to 2015-12-31"
    assert effective_words(look("x", effective_from=d("2020-01-01"), effective_to=d("2021-01-01"))) == (
        "from 2020-01-01 to 2021-01-01"
    )


def test_kinds_of_place_are_counted_with_their_sites_and_units(store: Store) -> None:
    with store.write() as conn:
        _site(conn, "A", "US", "CA", "office", 2)
        _site(conn, "B", "US", "CA", "office", 3)
        _site(conn, "C", "US", "MD", "school", 1)
        _site(conn, "D", "", "", "", 0)
    with store.read() as conn:
        found = {place_words(kind.place): (kind.sites, kind.units) for kind in kinds(conn)}
        assert found == {"no country recorded": (1, 0), "US, CA, office": (2, 5), "US, MD, school": (1, 1)}
        assert [(kind.sites, kind.units) for kind in kinds(conn, "B")] == [(1, 3)]
        with pytest.raises(UserError, match="site 'Z' is not in the register"):
            kinds(conn, "Z")


def _site(conn: Connection, code: str, country: str, subdivision: str, site_type: str, count: int) -> None:
    where = {"country": country, "subdivision": subdivision, "site_type": site_type}
    site = conn.execute(insert(sites).values(site=code, time_zone="UTC", **where).returning(sites.c.id)).scalar_one()
    for n in range(count):
        conn.execute(insert(units).values(unit=f"{code}-{n}", site_id=site, label=f"{code}-{n}"))
