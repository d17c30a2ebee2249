"""The condition of a unit on a day, with the reasons (reckoning.md §4); the first that applies.

Reasons say since when, not for how long, so that they stay the same until something happens.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from .facts import UnitFacts
from .owed import Condition, Duty, Reason, Standing

_WORK = (Standing.OVERDUE, Standing.OPEN, Standing.ORDER_NOW)


def condition_of(
    day: date, facts: UnitFacts, duties: Sequence[Duty], look: Duty | None, stopped: Sequence[str] = ()
) -> tuple[Condition, tuple[str, ...]]:
    """The condition and its reasons. `look` is the duty of the regular look, where any rule asks for one.

    `stopped` are the reasons that safety notices give not to rely on the unit. The reasons not to rely on a unit are
    each a `Reason`, which says what it is about.
    """
    evidence = facts.evidence
    if evidence.withdrawn_on is not None:
        return Condition.WITHDRAWN, (f"withdrawn since {evidence.withdrawn_on}", *_cover(facts))
    reasons = [*_not_to_be_relied_on(day, facts, duties), *stopped]
    if reasons:
        reasons += _cover(facts)
        return Condition.NOT_TO_BE_RELIED_ON, tuple(reasons)
    reasons = _no_evidence(day, facts, duties, look)
    if reasons:
        return Condition.NO_EVIDENCE, tuple(reasons)
    work = [duty for duty in duties if duty.standing in _WORK]
    # Not a condition of its own (§4), but what is not recorded says so and is never passed over.
    unknown = tuple(f"{duty.subject}: not recorded" for duty in duties if duty.standing is Standing.NOT_RECORDED)
    if work:
        return Condition.WORK_DUE, (*(_work(duty) for duty in work), *unknown)
    return Condition.IN_SERVICE, unknown


def _not_to_be_relied_on(day: date, facts: UnitFacts, duties: Sequence[Duty]) -> list[str]:
    evidence = facts.evidence
    reasons: list[str] = []
    if evidence.fault_on is not None:
        said = f"fault since {evidence.fault_on}" + (f": {evidence.fault}" if evidence.fault else "")
        reasons.append(Reason(said, Reason.FAULT))
    if evidence.used_at is not None:
        reasons.append(Reason(f"used {evidence.last_used_on}, not restored", Reason.USED))
    # Of most units nobody ever said such a thing: those need no look at their kinds.
    told = evidence.pads or evidence.pads_missing_on is not None or evidence.pads_bad_on is not None
    pads = [evidence.of_pads(kind) for kind in _kinds_of_pads(facts, duties)] if told else []
    missing = {said.kind: said.missing_on for said in pads if said.missing_on is not None}
    reasons += [Reason(f"no {named} fitted since {since}") for named, since in _named(missing, len(pads))]
    # That a use has taken its pads is said by the use.
    by_use = evidence.last_used_on if evidence.used_at is not None else None
    bad = {said.kind: said.bad_on for said in pads if said.bad_on not in (None, by_use)}
    reasons += [
        Reason(f"{named} opened, used or past by their window since {since}") for named, since in _named(bad, len(pads))
    ]
    if evidence.battery_empty_on is not None:
        reasons.append(Reason(f"battery empty or removed since {evidence.battery_empty_on}"))
    for part in facts.parts:
        good = part.last_good_day
        if part.state == "fitted" and good is not None and day > good and not part.kind.startswith("kit-"):
            reasons.append(Reason(f"fitted {part.kind} past its label date, good to {good}"))
    return reasons


def _kinds_of_pads(facts: UnitFacts, duties: Sequence[Duty]) -> list[str]:
    """The kinds of pads that are in the unit or must be: what was said of others concerns nobody any more."""
    fitted = {part.kind for part in facts.parts if part.state == "fitted" and part.kind.startswith("pads-")}
    wanted = {duty.kind for duty in duties if duty.kind.startswith("pads-") and duty.key.endswith("/fitted/none")}
    return sorted(fitted | wanted)


def _named(since: Mapping[str, date], kinds: int) -> list[tuple[str, date]]:
    """By kind of pads since when, in words: one for all where that is the same day for all `kinds` of them."""
    days = set(since.values())
    if len(days) == 1 and len(since) == kinds:
        return [("pads", days.pop())]
    return sorted(since.items())


def _cover(facts: UnitFacts) -> list[str]:
    """The loan unit in its place; one that cannot be relied on covers nothing, and says so."""
    cover = facts.cover
    if cover is None:
        return []
    if cover.holds:
        return [f"covered by {cover.unit} since {cover.since}"]
    return [f"not covered: {cover.unit}, in its place since {cover.since}, is itself {cover.condition}"]


def _no_evidence(day: date, facts: UnitFacts, duties: Sequence[Duty], look: Duty | None) -> list[str]:
    reasons: list[str] = []
    looked_on = facts.evidence.looked_on
    if looked_on is None:
        reasons.append("never checked")
    elif look is not None and look.last_good_day is not None:
        interval = look.interval or look.last_good_day - looked_on
        if day - look.last_good_day > interval:
            reasons.append(f"not checked since {looked_on}, more than two intervals")
    undated = {part.kind for part in facts.parts if part.state == "fitted" and part.last_good_day is None}
    reasons += [f"no date recorded for the fitted {kind}" for kind in sorted(undated)]
    reasons += [
        f"no fitted {duty.kind} on record"
        for duty in duties
        if duty.standing is Standing.NOT_RECORDED and duty.key.endswith("/fitted/none")
    ]
    return reasons


def _work(duty: Duty) -> str:
    if duty.standing is Standing.OVERDUE:
        return f"{duty.subject}: overdue, last good day was {duty.last_good_day}"
    if duty.standing is Standing.ORDER_NOW:
        return f"{duty.subject}: order now, order by {duty.order_by}"
    if duty.last_good_day is None:
        return f"{duty.subject}: open until it is done"
    return f"{duty.subject}: due by {duty.last_good_day}"
