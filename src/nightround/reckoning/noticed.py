"""What safety notices ask for: a duty for each unit or site that one means or may mean, and what is to be used no more.

The last good day is the next deadline that is still open: `underway_by` until the log says that it is underway, then
`complete_by` until it says that all asked for in time is in place, then none: the duty stays open until a correction
is recorded. Where the facts cannot tell, finding out has the same deadlines.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from .concerned import Matcher
from .facts import Part, UnitFacts
from .notices import Action, Finding, Notice, Verdict
from .owed import Because, Duty, Reason, Standing, standing_of
from .readings import STAGES
from .rules import ModelSheet

KIND = "notice"
UNTIL_FIXED = "until fixed"
_UNDERWAY, _COMPLETE = STAGES[:2]
_ASKING = (Finding.MATCHES, Finding.CANNOT_TELL)


class Board:
    """The notices in force, asked for each unit. `sheets` are the model sheets by model name."""

    def __init__(self, notices: Iterable[Notice], sheets: Mapping[str, ModelSheet]) -> None:
        self.matchers = tuple(Matcher(notice, sheets) for notice in notices)

    def duties(self, day: date, facts: UnitFacts) -> tuple[list[Duty], tuple[str, ...]]:
        """What the notices ask of a unit, and the reasons for which it is not to be relied on."""
        duties: list[Duty] = []
        reasons: list[str] = []
        for matcher in self.matchers:
            notice = matcher.notice
            if not notice.in_force(day) or not matcher.may_concern(facts.model):
                continue
            verdict = matcher.judge(facts)
            if verdict.finding in _ASKING:
                duties.append(notice_duty(day, notice, verdict, marked(notice, facts)))
            if verdict.finding is Finding.MATCHES and notice.action is Action.STOP:
                said = f"notice {notice.reference} says stop using: {notice.title}"
                reasons.append(Reason(said, Reason.NOTICE, notice.reference))
        return duties, tuple(reasons)

    def spares(self, day: date, parts: Sequence[Part]) -> list[Duty]:
        """What they ask about spares kept at a site for no one unit. They leave when they are on record no more."""
        duties = []
        for matcher in self.matchers:
            if matcher.notice.in_force(day):
                verdict = matcher.spares(parts)
                if verdict.finding in _ASKING:
                    duties.append(notice_duty(day, matcher.notice, verdict, frozenset()))
        return duties


def marked(notice: Notice, facts: UnitFacts) -> frozenset[str]:
    """The stages that the log says the unit has reached."""
    return frozenset(what for reference, what, _ in facts.evidence.notices if reference == notice.reference)


def open_deadline(notice: Notice, stages: frozenset[str]) -> tuple[str, date | None]:
    """The stage that is owed next, and its last good day; None where only the correction itself is left."""
    if notice.underway_by is not None and not stages & {_UNDERWAY, _COMPLETE}:
        return _UNDERWAY, notice.underway_by
    if notice.complete_by is not None and _COMPLETE not in stages:
        return _COMPLETE, notice.complete_by
    return UNTIL_FIXED, None


def notice_duty(day: date, notice: Notice, verdict: Verdict, stages: frozenset[str]) -> Duty:
    """The duty that a notice makes where it matches or cannot tell."""
    stage, good = open_deadline(notice, stages)
    opens = notice.received_on or notice.published_on
    standing = Standing.OPEN if good is None else standing_of(day, opens, good)
    because = [_because(notice, stage, good, verdict.why)]
    if stage == _UNDERWAY and notice.complete_by is not None:
        because.append(_because(notice, _COMPLETE, notice.complete_by, verdict.why))
    subject = f"notice {notice.reference}" + (f" ({notice.class_said})" if notice.grade else "")
    if verdict.finding is Finding.CANNOT_TELL:
        subject += ", find out whether it is meant"
    key = f"{KIND}/{notice.reference}"
    return Duty(
        key,
        KIND,
        f"{subject}: {notice.title}",
        standing,
        opens,
        None,
        good,
        None,
        "coordinator",
        stage,
        tuple(because),
    )


def _because(notice: Notice, stage: str, good: date | None, why: str) -> Because:
    said = {_UNDERWAY: f"to be underway by {good}", _COMPLETE: f"to be complete by {good}"}
    evidence = f"{why}; {said.get(stage, 'open until its correction is recorded')}"
    asked = f"{notice.action}. {notice.what_to_do}" if notice.what_to_do else f"{notice.action}"
    title = asked[:1].upper() + asked[1:]
    source = f"{notice.source}, published {notice.published_on}"
    return Because(notice.reference, title, notice.force, source, notice.received_on, good, evidence)
