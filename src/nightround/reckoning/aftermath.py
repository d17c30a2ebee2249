"""What a use or a fault leaves to be done (reckoning.md §5): restore, report, put right."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from .dates import WorkingDays, hours_after, last_good_day, local_day
from .facts import Evidence
from .owed import Because, Duty, by_date, standing_of
from .rules import Force, Rule, Span

PRACTICE = "common practice"


def restore_duty(day: date, used_at: datetime, rules: Sequence[Rule], zone: str) -> Duty:
    """A used unit is restored at once: its last good day is the day of the use, in every place."""
    used_on = local_day(used_at, zone)
    said = f"used {used_on}, not restored"
    own = Because("restore", "A used unit is restored at once", Force.COMMON_PRACTICE, PRACTICE, None, used_on, said)
    because = (*(Because.of(rule, used_on, said) for rule in rules), own)
    standing = standing_of(day, used_on, used_on)
    period = used_at.isoformat()
    title = "restore the unit after use"
    return Duty("restore", "restore", title, standing, used_on, None, used_on, None, "coordinator", period, because)


def report_duty(day: date, used_at: datetime, rules: Sequence[Rule], zone: str, working: WorkingDays) -> Duty:
    """The reports of a use that the place's rules ask for; the earliest decides.

    A rule that counts hours keeps its deadline to the minute; its last good day is the local day of that minute.
    """
    used_on = local_day(used_at, zone)
    found: list[Because] = []
    deadlines: dict[str, datetime] = {}
    for rule in rules:
        if rule.shape.span is Span.HOURS:
            deadlines[rule.id] = hours_after(used_at, rule.shape.n)
            good = local_day(deadlines[rule.id], zone)
        else:
            good = last_good_day(rule.shape, used_on, working)
        found.append(Because.of(rule, good, f"used {used_on}"))
    because = by_date(found, [])
    good = because[0].last_good_day or used_on
    deadline = deadlines.get(because[0].rule)
    standing = standing_of(day, used_on, good)
    period = used_at.isoformat()
    return Duty(
        "report-use",
        "report-use",
        "report the use",
        standing,
        used_on,
        None,
        good,
        deadline,
        "coordinator",
        period,
        because,
    )


def put_right_duty(day: date, evidence: Evidence) -> Duty:
    """What a check or a report found wrong and nobody has put right yet; owed at once."""
    found: list[tuple[date, str]] = []
    if evidence.fault_on is not None:
        found.append((evidence.fault_on, f"fault: {evidence.fault}" if evidence.fault else "fault shown or reported"))
    found += [(since, f"{name}: {value}") for name, value, since in evidence.bad_readings]
    found.sort()
    since = found[0][0]
    title = "What was found wrong is put right at once"
    because = tuple(
        Because("put-right", title, Force.COMMON_PRACTICE, PRACTICE, None, on, f"{said}, since {on}")
        for on, said in found
    )
    subject = "put right: " + "; ".join(said for _, said in found)
    standing = standing_of(day, since, since)
    return Duty(
        "put-right", "put-right", subject, standing, since, None, since, None, "coordinator", str(since), because
    )
