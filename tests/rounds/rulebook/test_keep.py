"""How long records are kept, as a pack says it; and that reckoning passes such a rule over."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.reckoning.rules import Shape, Span, Subject
from nightround.rounds.rulebook import load
from nightround.settings import Settings
from tests.reckoning.core.build import HOUSE, reckon, unit

from .build import HEAD, book

RULE = """
[[rule]]
id = "ours-records"
title = "We keep records"
subject = "records"
keep = { months = 24 }
force = "house"
source = "our own plan"
verified_on = 2026-11-25
"""


@pytest.mark.parametrize(
    ("written", "shape"),
    [
        ("{ months = 24 }", Shape(Span.KEPT_MONTHS, 24)),
        ("{ life_of_unit = true }", Shape(Span.KEPT_FOR_LIFE)),
        ("{ until_next_check = true }", Shape(Span.KEPT_UNTIL_NEXT_CHECK)),
        ("{ after_role_months = 36 }", Shape(Span.KEPT_AFTER_ROLE, 36)),
    ],
)
def test_each_way_of_keeping_is_read(tmp_path: Path, written: str, shape: Shape) -> None:
    text = HEAD + RULE.replace("{ months = 24 }", written)
    rule = book(tmp_path, {"ours": text}).rule("ours-records")
    assert (rule.subject, rule.shape) == (Subject.RECORDS, shape)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("keep = { }", "keep: says nothing; write exactly one of: months, life_of_unit"),
        ("keep = { months = 24, life_of_unit = true }", "says months and life_of_unit at once"),
        ("keep = { months = 0 }", "write a whole number from 1 to 1200"),
        ("keep = { life_of_unit = false }", "can only be true"),
        ("keep = { years = 2 }", "key years: is not known"),
        ("keep = 24", "key keep: is not a table"),
        ("shape = { months = 24 }", "records are not done but kept; write keep = { months = 24 } in its place"),
        ("", "key keep: is missing"),
    ],
)
def test_a_mistake_is_told_with_its_cure(tmp_path: Path, wrong: str, said: str) -> None:
    with pytest.raises(UserError) as caught:
        book(tmp_path, {"ours": HEAD + RULE.replace("keep = { months = 24 }", wrong)})
    assert said in str(caught.value)
    assert "rule ours-records" in str(caught.value)


def test_keep_goes_with_records_only(tmp_path: Path) -> None:
    text = HEAD + RULE.replace('subject = "records"', 'subject = "look"\nshape = { days = 7 }')
    with pytest.raises(UserError, match="key keep: is not known"):
        book(tmp_path, {"ours": text})


def test_a_rule_about_records_is_no_duty() -> None:
    records = [rule for rule in load(Settings()).rules if rule.subject is Subject.RECORDS]
    assert len(records) == 4
    everywhere = [rule._replace(country="", subdivision="") for rule in records]
    assert reckon(unit(), "2026-11-25", [*HOUSE, *everywhere]) == reckon(unit(), "2026-11-25")
