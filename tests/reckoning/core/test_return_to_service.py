"""A used unit returns to service only by new pads and then an all-good check, both by a known person (§5, §6)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.evidence import digest
from nightround.reckoning.facts import Entry

from .build import reckon, unit

START = datetime(2026, 11, 1, 8, 0, tzinfo=UTC)
GOOD = {"self-test": "ok", "battery": "3/4", "pads": "ok"}
KINDS: dict[str, tuple[str, dict[str, str], str]] = {
    "used": ("used", {}, ""),
    "pads": ("fitted", {}, "pads-adult"),
    "battery": ("fitted", {}, "battery"),
    "good": ("check", GOOD, ""),
    "bad": ("check", GOOD | {"seal": "broken"}, ""),
    "without self-test": ("check", {"pads": "ok"}, ""),
    "off": ("removed", {}, "pads-adult"),
    "withdrawn": ("withdrawn", {}, ""),
    "returned": ("returned", {}, ""),
    "reported": ("reported", {"about": "use"}, ""),
    "downloaded": ("downloaded", {}, ""),
    "ordered": ("ordered", {}, "pads-adult"),
    "fault": ("fault", {}, ""),
}
STEPS = st.lists(
    st.tuples(st.sampled_from([*KINDS, "used", "pads", "good", "good"]), st.sampled_from([True, True, True, False])),
    max_size=14,
)


def entries(steps: list[tuple[str, bool]]) -> list[Entry]:
    found = []
    for hour, (name, known) in enumerate(steps):
        kind, readings, part = KINDS[name]
        at = START + timedelta(hours=7 * hour)
        found.append(Entry(at, at.date(), kind, known, readings, {"kind": part} if part else {}, ""))
    return found


def restored(steps: list[tuple[str, bool]]) -> bool:
    """Said anew and backwards: after the last use pads were fitted, and after that a known person found all good."""
    last = max((place for place, (name, _) in enumerate(steps) if name == "used"), default=None)
    if last is None:
        return True
    fitted = [place for place in range(last, len(steps)) if steps[place] == ("pads", True)]
    return bool(fitted) and ("good", True) in steps[fitted[0] :]


@settings(max_examples=500)
@given(STEPS)
def test_a_used_unit_is_restored_exactly_by_the_evidence_that_is_named(steps: list[tuple[str, bool]]) -> None:
    said = digest(entries(steps))
    assert (said.used_at is None) == restored(steps)
    if said.used_at is not None:
        found = reckon(unit(said), "2026-11-25")
        assert "restore" in [duty.kind for duty in found.duties]
        assert found.condition in ("not to be relied on", "withdrawn")


@settings(max_examples=200)
@given(STEPS)
def test_nothing_that_a_passer_by_logs_ends_what_is_open(steps: list[tuple[str, bool]]) -> None:
    before = reckon(unit(digest(entries(steps))), "2026-11-25")
    stranger = [*steps, *((name, False) for name in KINDS)]
    after = reckon(unit(digest(entries(stranger))), "2026-11-25")
    kept = ("restore", "download", "crew-note", "put-right")
    assert {duty.key for duty in before.duties if duty.kind in kept} <= {duty.key for duty in after.duties}


@settings(max_examples=200)
@given(STEPS, st.randoms(use_true_random=False))
def test_the_order_of_writing_does_not_matter(steps: list[tuple[str, bool]], random: object) -> None:
    shuffled = entries(steps)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert digest(shuffled) == digest(entries(steps))
