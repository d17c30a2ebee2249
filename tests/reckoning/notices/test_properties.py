"""What holds for any notice and any facts: a missing fact never clears a unit, and never makes it a match."""

from __future__ import annotations

from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from nightround.reckoning.facts import Evidence, Marks, Part, UnitFacts
from nightround.reckoning.notices import Concern, Days, Finding
from nightround.reckoning.numbering import Range

from .build import judge, match, notice

# Small worlds, so that facts and notices meet often.
MODELS = ("Orrel Twin", "Tarnlight Five", "Quennick S")
SERIAL = st.integers(1, 30)
VERSION = st.tuples(st.integers(1, 3), st.integers(0, 12))
DAY = st.dates(date(2004, 1, 1), date(2004, 1, 20))
LOT = st.integers(1, 6)


def _span(values: st.SearchStrategy) -> st.SearchStrategy:  # type: ignore[type-arg]
    return st.tuples(values, values).map(sorted)


def _some(of: st.SearchStrategy) -> st.SearchStrategy:  # type: ignore[type-arg]
    return st.lists(of, min_size=1, max_size=2)


GROUP = st.fixed_dictionaries(
    {"models": st.lists(st.sampled_from(MODELS), min_size=1, max_size=2, unique=True), "all_of": st.booleans()},
    optional={
        "serials": _some(_span(SERIAL)),
        "made": _some(_span(DAY)),
        "firmware": _some(_span(VERSION)),
        "lots": _some(_span(LOT)),
    },
)
FACTS = st.fixed_dictionaries(
    {
        "model": st.sampled_from(MODELS),
        "serial": SERIAL,
        "made_on": DAY,
        "firmware": VERSION,
        "pads": LOT,
        "spare": LOT,
    }
)
KEYS = ("model", "serial", "made_on", "firmware", "pads", "spare")


def _concern(group: dict) -> Concern:  # type: ignore[type-arg]
    def numbers(key: str) -> tuple[Range, ...]:
        return tuple(Range(str(first), str(last)) for first, last in group.get(key, ()))

    def versions() -> tuple[Range, ...]:
        return tuple(Range(_dotted(first), _dotted(last)) for first, last in group.get("firmware", ()))

    return Concern(
        tuple(group["models"]),
        numbers("serials"),
        tuple(Days(first, last) for first, last in group.get("made", ())),
        versions(),
        ("pads-adult",) if "lots" in group else (),
        numbers("lots"),
        group["all_of"],
        every_unit=not set(group) & {"serials", "made", "firmware", "lots"},
    )


def _dotted(version: tuple[int, int]) -> str:
    return f"{version[0]}.{version[1]}"


def _unit(facts: dict, missing: frozenset[str] = frozenset(), evidence: Evidence | None = None) -> UnitFacts:  # type: ignore[type-arg]
    """The unit with those facts not recorded. Parts are on record always; only their lots can be missing."""
    known = {key: None if key in missing else value for key, value in facts.items()}
    parts = (
        Part(1, "pads-adult", "fitted", None, None, str(known["pads"] or "")),
        Part(2, "pads-adult", "spare", None, None, str(known["spare"] or "")),
        Part(3, "battery", "fitted", None, None, ""),
    )
    firmware = _dotted(known["firmware"]) if known["firmware"] else ""
    marks = Marks(str(known["serial"] or ""), known["made_on"], firmware)
    return UnitFacts("U-1", known["model"] or "", None, parts, evidence or Evidence(), marks)


def _meant(group: dict, facts: dict) -> bool:  # type: ignore[type-arg]
    """The same question answered plainly, with every fact at hand."""
    if facts["model"] not in group["models"]:
        return False
    answers = []
    for key, values in (
        ("serials", [facts["serial"]]),
        ("made", [facts["made_on"]]),
        ("firmware", [facts["firmware"]]),
        ("lots", [facts["pads"], facts["spare"]]),
    ):
        if key in group:
            answers.append(any(first <= value <= last for first, last in group[key] for value in values))
    if not answers:
        return True
    return all(answers) if group["all_of"] else any(answers)


@given(st.lists(GROUP, min_size=1, max_size=3), FACTS)
def test_with_every_fact_on_record_it_can_always_tell_and_tells_right(groups: list, facts: dict) -> None:  # type: ignore[type-arg]
    found = match(notice(*map(_concern, groups)), _unit(facts)).finding
    assert found is (Finding.MATCHES if any(_meant(group, facts) for group in groups) else Finding.CLEAR)


@given(st.lists(GROUP, min_size=1, max_size=3), FACTS, FACTS, st.frozensets(st.sampled_from(KEYS)))
def test_what_is_told_holds_whatever_the_missing_facts_are(
    groups: list,
    facts: dict,
    others: dict,
    missing: frozenset[str],  # type: ignore[type-arg]
) -> None:
    of = notice(*map(_concern, groups))
    found = match(of, _unit(facts, missing)).finding
    for filled in (facts, {**facts, **{key: others[key] for key in missing}}):
        if found is not Finding.CANNOT_TELL:
            assert found is match(of, _unit(filled)).finding
    if match(of, _unit(facts)).finding is Finding.MATCHES:
        assert found is not Finding.CLEAR


@given(st.lists(GROUP, min_size=1, max_size=3), FACTS, st.frozensets(st.sampled_from(KEYS)))
def test_cannot_tell_names_a_fact_that_is_missing(groups: list, facts: dict, missing: frozenset[str]) -> None:  # type: ignore[type-arg]
    found = match(notice(*map(_concern, groups)), _unit(facts, missing))
    if found.finding is Finding.CANNOT_TELL:
        assert missing
        assert "not recorded" in found.why
    assert bool(found.why) is (found.finding is not Finding.CLEAR)


@given(st.lists(GROUP, min_size=1, max_size=2), GROUP, FACTS, st.frozensets(st.sampled_from(KEYS)))
def test_a_further_group_never_takes_a_unit_out(
    groups: list,
    further: dict,
    facts: dict,
    missing: frozenset[str],  # type: ignore[type-arg]
) -> None:
    facts_known = _unit(facts, missing)
    before = match(notice(*map(_concern, groups)), facts_known).finding
    after = match(notice(*map(_concern, [*groups, further])), facts_known).finding
    rank = [Finding.CLEAR, Finding.CANNOT_TELL, Finding.MATCHES]
    assert rank.index(after) >= rank.index(before)


@given(st.lists(GROUP, min_size=1, max_size=3), FACTS, st.frozensets(st.sampled_from(KEYS)), DAY, st.none() | DAY)
def test_only_a_record_that_counts_takes_a_meant_unit_out(
    groups: list,
    facts: dict,
    missing: frozenset[str],
    day: date,
    counts_from: date | None,  # type: ignore[type-arg]
) -> None:
    of = notice(*map(_concern, groups), corrections_from=counts_from)
    bare = match(of, _unit(facts, missing)).finding
    corrected = Evidence(notices=(("FSN-7", "corrected", day),))
    found = judge(of, _unit(facts, missing, corrected)).finding
    counts = counts_from is None or day >= counts_from
    assert found is (Finding.CORRECTED if bare is not Finding.CLEAR and counts else bare)
    other = Evidence(notices=(("FSN-8", "corrected", day),))
    assert judge(of, _unit(facts, missing, other)).finding is bare
