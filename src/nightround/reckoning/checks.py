"""Duties that come round: looks, tests, inspections and the reports of them (reckoning.md §1)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from .beginnings import Start, Starts, always
from .dates import WorkingDays, last_good_day, opens
from .owed import Because, Duty, Standing, by_date, standing_of
from .rules import Force, ModelSheet, Rule, Shape, Span, Subject

TITLES = {
    Subject.LOOK: "look at the unit",
    Subject.TEST: "test the unit",
    Subject.INSPECTION: "inspection by a qualified technician",
    Subject.REPORT_CHECK: "report the check to the authority",
    Subject.SELF_TEST: "self-test result sent by the unit itself",
}
SILENT_SHEET = "manufacturer's interval not entered"
NOTHING_ON_RECORD = "never done, and no day of putting in service recorded"


def round_duty(
    day: date,
    subject: Subject,
    rules: Sequence[Rule],
    done: date | None,
    in_service_on: date | None,
    used_on: date | None,
    sheet: ModelSheet | None,
    working: WorkingDays,
    starts: Starts = always,
) -> Duty:
    """The duty that these rules of one subject make together; the earliest last good day decides.

    `done` is the day of the last evidence; a unit never checked is reckoned from the day it was put in service, and
    where that is unknown too the duty is `not recorded`. `starts` says from when on each of the rules binds the unit.
    """
    found: list[Because] = []
    silent: list[Because] = []
    reckoned: dict[tuple[str, date], tuple[date, date, timedelta]] = {}  # what it counts from, opening, interval
    for rule in rules:
        begun = starts(rule)
        start, evidence = _evidence(rule, done, in_service_on, used_on)
        if subject is Subject.REPORT_CHECK and (done is None or not begun.is_here(done)):
            start, evidence = _never_reported_here(begun, start, evidence)
        shape = _shape(rule, sheet)
        if shape is None:
            silent.append(Because.of(rule, None, SILENT_SHEET))
        elif start is None:
            silent.append(Because.of(rule, None, NOTHING_ON_RECORD))
        else:
            after = last_good_day(shape, start, working)
            good = begun.floor(after)
            found.append(Because.of(rule, good, begun.said(evidence, after)))
            reckoned[rule.id, good] = start, opens(shape, start, after, rule.opens_days), after - start
    because = by_date(found, silent)
    role = "site-contact" if subject is Subject.LOOK else "coordinator"
    title = TITLES[subject]
    if not found:
        nothing = Standing.NOT_RECORDED
        return Duty(subject.value, subject.value, title, nothing, None, None, None, None, role, "", because)
    winner = because[0]
    good = winner.last_good_day or date.max
    start, opening, interval = reckoned[winner.rule, good]
    standing = standing_of(day, opening, good)
    # A report counts from when it was first owed; a look from the last one, whoever asks for the next.
    period = str(start if subject is Subject.REPORT_CHECK else done or in_service_on or "")
    name = subject.value
    return Duty(name, name, title, standing, opening, None, good, None, role, period, because, interval)


def interval_rules(sheet: ModelSheet) -> tuple[Rule, ...]:
    """The intervals of a model sheet as rules of the manufacturer, which bind wherever the model stands."""
    return tuple(
        Rule(
            f"manual-{subject}",
            f"The manual of {sheet.model}",
            Subject(subject),
            shape,
            "",
            "",
            (),
            Force.MANUFACTURER,
            sheet.source,
            sheet.verified_on,
        )
        for subject, shape in sheet.intervals
    )


def _evidence(
    rule: Rule, done: date | None, in_service_on: date | None, used_on: date | None
) -> tuple[date | None, str]:
    start, said = done, f"last done {done}"
    if start is None and in_service_on is not None:
        start, said = in_service_on, f"never done; in service since {in_service_on}"
    if rule.use_counts and used_on is not None and (start is None or used_on > start):
        return used_on, f"used {used_on}, which counts as done"
    return start, said


def _never_reported_here(begun: Start, start: date | None, evidence: str) -> tuple[date | None, str]:
    """The first report to the authority here has its whole interval from the first day on which it was owed."""
    first = begun.first
    if first is None or (begun.arrived is None and (start is None or start >= first)):
        return start, evidence
    return first, f"not reported here since; {begun.why} {first}"


def _shape(rule: Rule, sheet: ModelSheet | None) -> Shape | None:
    """The rule's shape, or what the model sheet says where the rule leaves it to the manufacturer."""
    if rule.shape.span is not Span.PER_MODEL:
        return rule.shape
    return sheet.interval(rule.subject) if sheet is not None else None
