"""Words for duties, reasons and rules."""

from __future__ import annotations

import pytest

from nightround.letters import wording
from nightround.reckoning.checks import TITLES

from .build import LABEL, LOOK


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        ("fitted pads-adult past, good to 2026-11-10", "fitted adult pads past, good to Tue 10 Nov 2026"),
        ("kit-face-shield, spare", "kit: face-shield, spare"),
        ("lot 2026-13-45 and X2026-11-10", "lot 2026-13-45 and X2026-11-10"),
        ("fault since 2026-11-24: 2 beeps", "fault since Tue 24 Nov 2026: 2 beeps"),
    ],
)  # fmt: skip
def test_stored_words_are_said_as_a_reader_says_them(stored: str, said: str) -> None:
    assert wording.said(stored) == said


@pytest.mark.parametrize(
    ("kind", "key", "subject", "what"),
    [
        ("look", "look", "look at the unit", "look at the unit"),
        ("battery", "battery/fitted/17", "battery, fitted", "replace battery"),
        ("pads-adult", "pads-adult/spare/3", "pads-adult, spare", "replace spare adult pads"),
        ("pads-child", "pads-child/fitted/none", "pads-child, fitted", "fit child pads"),
        ("put-right", "put-right", "put right: seal: broken", "put right: seal: broken"),
        ("kit-razor", "kit-razor/fitted/4", "kit-razor, fitted", "replace kit: razor"),
        ("", "", "battery, spare", "battery, spare"),
        ("notice", "notice/FSN-7", "notice FSN-7 (class II): cracked case", "notice FSN-7 (class II): cracked case"),
        ("notice", "notice/FSN/7", "notice FSN/7: cracked case", "notice FSN/7: cracked case"),
    ],
)
def test_what_has_to_be_done_is_said_as_an_act(kind: str, key: str, subject: str, what: str) -> None:
    assert wording.act(kind, key, subject) == what


def test_every_kind_of_check_that_reckoning_knows_has_its_words_and_steps() -> None:
    for subject, title in TITLES.items():
        assert wording.act(subject.value, subject.value, title) == title
        assert wording.steps([subject.value])


def test_steps_come_once_and_in_the_order_in_which_they_are_done() -> None:
    found = wording.steps(["look", "pads-adult", "pads-child", "put-right", "unheard of"])
    assert [step.split()[0] for step in found] == ["Look", "Replace", "Look"]
    assert found[0].startswith("Look at the unit. Follow its own prompts")


@pytest.mark.parametrize(
    ("reason", "kind", "source"),
    [
        ("fault since 2026-11-24: it beeps", "put-right", "the log"),
        ("used 2026-11-24, not restored", "restore", "the log"),
        ("no pads fitted since 2026-11-24", "pads", "the log"),
        ("pads opened, used or past by their window since 2026-11-24", "pads", "the log"),
        ("fitted pads-adult past its label date, good to 2026-11-10", "pads", "the label"),
        ("fitted battery past its label date, good to 2026-11-10", "battery", "the label"),
        ("battery empty or removed since 2026-11-24", "battery", "the log"),
        ("no date recorded for the fitted battery", "", "the register"),
        ("never checked", "", "the log"),
        ("notice FSN-7 says stop using: cracked case", "notice", "the notice"),
    ],
)
def test_a_reason_leads_to_its_work_and_its_source(reason: str, kind: str, source: str) -> None:
    assert wording.condition_kind(reason) == kind
    assert wording.condition_source(reason) == source


def test_every_reason_that_makes_a_unit_unreliable_leads_to_work() -> None:
    """The reasons are those of reckoning; a new one there must not come without a word of what to do."""
    from datetime import UTC, date, datetime

    from nightround.reckoning.condition import condition_of
    from nightround.reckoning.facts import Evidence, Pads, Part, UnitFacts

    since = date(2026, 11, 1)
    evidence = Evidence(
        fault_on=since, fault="it beeps", used_at=datetime(2026, 11, 1, tzinfo=UTC), last_used_on=since,
        pads_missing_on=since, pads_bad_on=date(2026, 10, 30), battery_empty_on=since,
    )  # fmt: skip
    parts = tuple(Part(n, kind, "fitted", since, None) for n, kind in enumerate(("pads-child", "battery")))
    _, reasons = condition_of(date(2026, 11, 25), UnitFacts("U", "", None, parts, evidence), [], None)
    assert len(reasons) == 7
    child = Pads("pads-child", bad_on=since, missing_on=since)
    pads = tuple(Part(n, kind, "fitted", None, None) for n, kind in enumerate(("pads-adult", "pads-child")))
    _, of_one_kind = condition_of(since, UnitFacts("U", "", None, pads, Evidence(pads=(child,))), [], None)
    assert len(of_one_kind) == 2
    for reason in (*reasons, *of_one_kind):
        assert wording.steps([wording.condition_kind(reason)]), reason


def test_rules_are_numbered_once_and_listed_with_source_and_day() -> None:
    sources = wording.Sources()
    assert sources.cite([LOOK, LABEL]) == "Someone looks at each unit once a month (common practice) [1]; also [2]"
    assert sources.cite([LABEL, LOOK]) == "A part is good to its printed date (manufacturer) [2]; also [1]"
    assert sources.mark([LABEL, LOOK, LOOK]) == "[2,1]"
    assert [source.line for source in sources.listed()] == [
        "[1] Someone looks at each unit once a month (common practice; source: the house rules; "
        "verified on Fri 20 Nov 2026).",
        "[2] A part is good to its printed date (manufacturer; source: the label).",
    ]


def test_a_rule_without_title_or_source_still_has_a_line() -> None:
    sources = wording.Sources()
    sources.cite([{"rule": "own-rule", "force": "house", "source": "", "evidence": ""}])
    assert sources.listed()[0].line == "[1] own-rule (house; source: none given)."


def test_names_are_joined_and_cut() -> None:
    assert wording.names(["A"]) == "A"
    assert wording.names(["A", "B"]) == "A and B"
    assert wording.names(["A", "B", "C"]) == "A, B and C"
    assert wording.names("ABCDEFGH") == "A, B, C, D, E, F and 2 more"
    assert wording.names([]) == ""
