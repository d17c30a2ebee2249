"""What a rule pack can say, and how each mistake in one is told: file, rule, key and cure."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.reckoning.rules import Force, Rule, Shape, Span, Subject

from .build import HEAD, RULE, book, changed


def ours(folder: Path, text: str) -> Rule:
    return book(folder, {"ours": text}).rule("ours-look")


def test_every_key_of_a_rule_is_read(tmp_path: Path) -> None:
    text = """
[pack]
title = "Ours"
country = "US"
subdivision = "MD"
note = "written by us"
site_types = ["brewery"]

[[rule]]
id = "ours-look"
title = "We look each week"
subject = "look"
shape = { days = 7 }
site_types = ["school", "brewery"]
force = "house"
source = "our own plan"
verified_on = 2026-11-25
effective_from = 2026-01-01
effective_to = 2027-12-31
replaces = ["us-md-look-monthly"]
use_counts = true
opens_days = 3
in_service_from = 2025-01-01
note = "two\\nlines"

[[rule]]
id = "ours-pads"
title = "Pads by label"
subject = "pads"
shape = { label = true }
country = "FR"
force = "house"
source = "our own plan"
verified_on = 2026-11-25
order_lead_months = 4
"""
    found = book(tmp_path, {"ours": text})
    assert found.rule("ours-look") == Rule(
        id="ours-look",
        title="We look each week",
        subject=Subject.LOOK,
        shape=Shape(Span.DAYS, 7),
        country="US",
        subdivision="MD",
        site_types=("school", "brewery"),
        force=Force.HOUSE,
        source="our own plan",
        verified_on=date(2026, 11, 25),
        effective_from=date(2026, 1, 1),
        effective_to=date(2027, 12, 31),
        replaces=("us-md-look-monthly",),
        use_counts=True,
        opens_days=3,
        in_service_from=date(2025, 1, 1),
        note="two\nlines",
    )
    pads = found.rule("ours-pads")
    assert (pads.country, pads.subdivision, pads.order_lead_months) == ("FR", "", 4)
    (pack,) = [pack for pack in found.packs if pack.name == "ours"]
    assert (pack.title, pack.note, len(pack.rules)) == ("Ours", "written by us", 2)


@pytest.mark.parametrize(
    ("subject", "written", "shape"),
    [
        ("look", "{ days = 90 }", Shape(Span.DAYS, 90)),
        ("look", "{ months = 1 }", Shape(Span.MONTHS, 1)),
        ("inspection", '{ months = 24, to = "month-end" }', Shape(Span.MONTHS_TO_MONTH_END, 24)),
        ("look", '{ each = "week" }', Shape(Span.EACH, period="week")),
        ("test", '{ each = "month" }', Shape(Span.EACH, period="month")),
        ("report-check", '{ each = "quarter" }', Shape(Span.EACH, period="quarter")),
        ("inspection", '{ each = "year" }', Shape(Span.EACH, period="year")),
        ("report-use", "{ working_days = 5 }", Shape(Span.WORKING_DAYS, 5)),
        ("report-use", "{ hours = 72 }", Shape(Span.HOURS, 72)),
        ("replace", "{ days = 10 }", Shape(Span.DAYS, 10)),
        ("restore", "{ at_once = true }", Shape(Span.AT_ONCE)),
        ("test", "{ per_model = true }", Shape(Span.PER_MODEL)),
        ("kit", "{ label = true }", Shape(Span.LABEL)),
    ],
)
def test_each_shape_is_written_in_one_way(tmp_path: Path, subject: str, written: str, shape: Shape) -> None:
    text = changed("{ days = 7 }", written).replace('subject = "look"', f'subject = "{subject}"')
    assert ours(tmp_path, text).shape == shape


WRONG = [
    # what is changed, into what, the key told, a part of the cure
    ('id = "ours-look"', 'id = "Ours Look"', "rule Ours Look, key id", "lower-case letters, digits and hyphens"),
    ('id = "ours-look"', 'id = "standby-life"', "key id", "choose another name"),
    ('id = "ours-look"\n', "", "rule number 1, key id", "is missing; write it"),
    ('title = "We look each week"\n', "", "rule ours-look, key title", "is missing; write it"),
    ('"We look each week"', '"We look\\r\\nBcc: x"', "key title", "on one line"),
    ('"We look each week"', '"  "', "key title", "write a text"),
    ('subject = "look"', 'subject = "loook"', "key subject", "did you mean look?"),
    ('subject = "look"', 'subject = "looking after"', "key subject", "write one of: look, test, inspection"),
    ('force = "house"', 'force = "lore"', "key force", "law, guidance, manufacturer, common practice, house"),
    ('source = "our own plan"\n', "", "key source", "is missing; write it"),
    ("verified_on = 2026-11-25\n", "", "key verified_on", "is missing; write it"),
    ("verified_on = 2026-11-25", 'verified_on = "2026-11-25"', "key verified_on", "without quotes"),
    ("verified_on = 2026-11-25", "verified_on = 2026-11-25T09:00:00Z", "key verified_on", "such as 2026-11-25"),
    ("verified_on = 2026-11-25", "verified_at = 2026-11-25", "key verified_at", "did you mean verified_on?"),
    ("{ days = 7 }", "{ days = -7 }", "shape, key days", "a whole number from 1 to 36500"),
    ("{ days = 7 }", "{ days = 0 }", "shape, key days", "a whole number from 1 to 36500"),
    ("{ days = 7 }", "{ days = 7.5 }", "shape, key days", "a whole number"),
    ("{ days = 7 }", '{ days = "7" }', "shape, key days", "a whole number"),
    ("{ days = 7 }", "{ days = true }", "shape, key days", "a whole number"),
    ("{ days = 7 }", "{ days = 100000 }", "shape, key days", "a whole number"),
    ("{ days = 7 }", "{ months = 100000 }", "shape, key months", "a whole number from 1 to 1200"),
    ("{ days = 7 }", "{ day = 7 }", "shape, key day", "did you mean days?"),
    ("{ days = 7 }", "{ days = 7, months = 1 }", "shape: says days and months at once", "exactly one of"),
    ("{ days = 7 }", "{ }", "shape: says no shape", "exactly one of: days, months, each"),
    ("{ days = 7 }", '"weekly"', "key shape", "is not a table"),
    ("shape = { days = 7 }\n", "", "key shape", "is missing; write it"),
    ("{ days = 7 }", '{ each = "fortnight" }', "shape, key each", "week, month, quarter, year"),
    ("{ days = 7 }", '{ months = 1, to = "end" }', "shape, key to", "month-end"),
    ("{ days = 7 }", '{ days = 7, to = "month-end" }', "shape, key to", "goes with months"),
    ("{ days = 7 }", "{ per_model = false }", "shape, key per_model", "can only be true"),
    ("{ days = 7 }", "{ hours = 72 }", "key shape", "'hours' has no meaning here; write { days = 90 }"),
    ("{ days = 7 }", "{ at_once = true }", "key shape", "has no meaning here"),
    ("{ days = 7 }", "{ label = true }", "key shape", "has no meaning here"),
    ('title = "Ours"', 'title = "Ours"\ncountry = "UK"', "pack, key country", "write GB"),
    ('title = "Ours"', 'title = "Ours"\ncountry = "France"', "pack, key country", "code of two letters"),
    ('title = "Ours"', 'title = "Ours"\nsubdivision = "CA"', "pack, key subdivision", "write the country too"),
    ('force = "house"', 'force = "house"\ncountry = "fr"', "rule ours-look, key country", "such as FR"),
    (
        'title = "Ours"',
        'title = "Ours"\ncountry = "US"\nsubdivision = "US-CA"',
        "pack, key subdivision",
        "without the country, such as CA",
    ),
    ('force = "house"', 'force = "house"\nsite_types = ["shcool"]', "key site_types", "did you mean school?"),
    ('force = "house"', 'force = "house"\nsite_types = "school"', "key site_types", "a list of texts"),
    ('force = "house"', 'force = "house"\nsite_types = ["school", "school"]', "key site_types", "one thing twice"),
    (
        'force = "house"',
        'force = "house"\neffective_from = 2026-02-01\neffective_to = 2026-01-31',
        "key effective_to",
        "2026-01-31 lies before effective_from, 2026-02-01",
    ),
    ('force = "house"', 'force = "house"\nreplaces = ["house-look-montly"]', "key replaces", "house-look-monthly?"),
    ('force = "house"', 'force = "house"\nreplaces = ["ours-look"]', "key replaces", "cannot replace itself"),
    ('force = "house"', 'force = "house"\nreplaces = ["house-pads-label"]', "key replaces", "the same subject"),
    ('force = "house"', 'force = "house"\nreplaces = ["gb-look-weekly"]', "key replaces", "for fewer places"),
    ('force = "house"', 'force = "house"\nuse_counts = "yes"', "key use_counts", "true or false"),
    ('force = "house"', 'force = "house"\nopens_days = 0', "key opens_days", "from 1 to 366"),
    ('force = "house"', 'force = "house"\norder_lead_months = 3', "key order_lead_months", "only for pads, battery"),
    ('force = "house"', 'force = "house"\neffectiv_from = 2026-01-01', "key effectiv_from", "mean effective_from?"),
    ("[[rule]]", "[rule]", "key rule", "[[rule]]"),
    ("[[rule]]", "[[rules]]", "key rules", "did you mean rule?"),
    ("[pack]", "[packs]", "key pack", "is missing"),
    ('title = "Ours"\n', "", "pack, key title", "is missing"),
]


@pytest.mark.parametrize(("old", "new", "place", "cure"), WRONG)
def test_a_mistake_is_told_with_its_file_its_rule_its_key_and_its_cure(
    tmp_path: Path, old: str, new: str, place: str, cure: str
) -> None:
    with pytest.raises(UserError) as caught:
        book(tmp_path, {"ours": changed(old, new)})
    told = [line for line in str(caught.value).splitlines() if place in line]
    assert told, str(caught.value)
    assert any(cure in line for line in told), told
    assert all(str(tmp_path / "rules" / "ours.toml") in line for line in told)


@pytest.mark.parametrize(
    ("subject", "shape", "extra", "key"),
    [
        ("pads", "{ label = true }", "use_counts = true", "use_counts"),
        ("pads", "{ label = true }", "opens_days = 5", "opens_days"),
        ("battery", "{ label = true }", "in_service_from = 2027-01-01", "in_service_from"),
        ("restore", "{ at_once = true }", "order_lead_months = 1", "order_lead_months"),
        ("look", '{ each = "month" }', "opens_days = 5", "opens_days"),
        ("pads", "{ per_model = true }", "", "shape"),
        ("pads", "{ hours = 5 }", "", "shape"),
        ("restore", "{ days = 1 }", "", "shape"),
        ("report-use", "{ per_model = true }", "", "shape"),
        ("report-use", '{ each = "month" }', "", "shape"),
        ("replace", "{ hours = 72 }", "", "shape"),
        ("replace", "{ per_model = true }", "", "shape"),
        ("replace", "{ days = 10 }", "opens_days = 5", "opens_days"),
    ],
)
def test_what_reckoning_would_pass_over_in_silence_is_refused(
    tmp_path: Path, subject: str, shape: str, extra: str, key: str
) -> None:
    text = changed("{ days = 7 }", shape).replace('subject = "look"', f'subject = "{subject}"') + extra + "\n"
    with pytest.raises(UserError, match=f"rule ours-look, key {key}:"):
        book(tmp_path, {"ours": text})


def test_every_mistake_of_every_file_is_told_at_once(tmp_path: Path) -> None:
    bad = {
        "one": changed("{ days = 7 }", "{ days = -1 }").replace('force = "house"', 'force = "lore"'),
        "two": HEAD + RULE.replace("ours-look", "other").replace('source = "our own plan"\n', ""),
        "three": "[pack\n",
    }
    with pytest.raises(UserError) as caught:
        book(tmp_path, bad, {"four": 'model = "X"\n'})
    first, *lines = str(caught.value).splitlines()
    assert first == "6 things are wrong in rule packs and model sheets:"
    assert len(lines) == 6
    for part in (
        "one.toml, rule ours-look, shape, key days: -1 will not do",
        "one.toml, rule ours-look, key force: 'lore' is not known",
        "two.toml, rule other, key source: is missing",
        "three.toml: is not TOML",
        "four.toml, key source: is missing",
        "four.toml, key verified_on: is missing",
    ):
        assert any(part in line for line in lines), part


def test_a_single_mistake_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        book(tmp_path, {"ours": changed('"look"\n', '"lookk"\n')})
    assert "\n" not in str(caught.value)


def test_a_rule_without_mistakes_is_not_loaded_beside_a_faulty_one(tmp_path: Path) -> None:
    # Half a pack would leave a duty out without a word.
    with pytest.raises(UserError):
        book(tmp_path, {"ours": HEAD + RULE + RULE.replace("ours-look", "ours-test").replace("days = 7", "days = 0")})


@pytest.mark.parametrize("content", [b'[pack]\ntitle = "\xff"\n', b"\xef\xbb\xbf[pack]\n"])
def test_a_file_in_another_encoding_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "ours.toml").write_bytes(content)
    with pytest.raises(UserError, match=r"ours\.toml"):
        book(tmp_path, {})


def test_a_rule_may_hold_for_a_single_day(tmp_path: Path) -> None:
    one_day = 'force = "house"\neffective_from = 2026-02-01\neffective_to = 2026-02-01'
    rule = ours(tmp_path, changed('force = "house"', one_day))
    assert [rule.in_force(date(2026, month, day)) for month, day in ((1, 31), (2, 1), (2, 2))] == [False, True, False]


def test_a_name_longer_than_a_duty_can_carry_is_refused(tmp_path: Path) -> None:
    assert book(tmp_path, {"ours": changed('"ours-look"', f'"{"a" * 80}"')}).rule("a" * 80).id == "a" * 80
    with pytest.raises(UserError, match="has 81 characters; 80 are the most"):
        ours(tmp_path, changed('"ours-look"', f'"{"a" * 81}"'))
