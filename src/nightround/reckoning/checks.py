"""Duties that come round: looks, tests, inspections and the reports of them (reckoning.md §1)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from .dates import WorkingDays, last_good_day, opens
from .owed import Because, Duty, Standing, by_date, standing_of
from .rules import Force, ModelSheet, Rule, Shape, Span, Subject

TITLES = {
    Subject.LOOK: "look at the unit",
    Subject.TEST: "test the unit",
    Subject.INSPECTION: "inspection by a qualified technician",
    Subject.REPORT_CHECK: "report the check to the authority",
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
) -> Duty:
    """The duty that these rules of one subject make together; the earliest last good day decides.

    `done` is the day of the last evidence; a unit never checked is reckoned from the day it was put in service, and
    where that is unknown too the duty is `not recorded`.
    """
    found: list[Because] = []
    silent: list[Because] = []
    openings: dict[tuple[str, date], date] = {}
    for rule in rules:
        start, evidence = _evidence(rule, done, in_service_on, used_on)
        shape = _shape(rule, sheet)
        if shape is None:
            silent.append(Because.of(rule, None, SILENT_SHEET))
        elif start is None:
            silent.append(Because.of(rule, None, NOTHING_ON_RECORD))
        else:
            good = last_good_day(shape, start, working)
            found.append(Because.of(rule, good, evidence))
            openings[rule.id, good] = opens(shape, start, good, rule.opens_days)
    because = by_date(found, silent)
    role = "site-contact" if subject is Subject.LOOK else "coordinator"
    title = TITLES[subject]
    if not found:
        nothing = Standing.NOT_RECORDED
        return Duty(subject.value, subject.value, title, nothing, None, None, None, None, role, "", because)
    winner = because[0]
    good = winner.last_good_day or date.max
    opening = openings[winner.rule, good]
    standing = standing_of(day, opening, good)
    period = str(done or in_service_on or "")
    return Duty(subject.value, subject.value, title, standing, opening, None, good, None, role, period, because)


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


def _shape(rule: Rule, sheet: ModelSheet | None) -> Shape | None:
    """The rule's shape, or what the model sheet says where the rule leaves it to the manufacturer."""
    if rule.shape.span is not Span.PER_MODEL:
        return rule.shape
    return sheet.interval(rule.subject) if sheet is not None else None
