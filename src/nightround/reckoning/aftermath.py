"""What a use or a fault leaves to be done (reckoning.md §5): restore, download, report, crew note, put right, replace.

What was done to whom in a use is never said here: reasons go into letters and calendars.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time

from .beginnings import Starts, always
from .dates import WorkingDays, hours_after, last_good_day, local_day, local_instant
from .facts import Evidence, Use
from .owed import Because, Duty, Standing, by_date, standing_of
from .rules import Force, ModelSheet, Rule, Shape, Span

PRACTICE = "common practice"


def restore_duty(day: date, used_at: datetime, used_on: date, rules: Sequence[Rule]) -> Duty:
    """A used unit is restored at once: its last good day is the day of the use, where the unit stood at the time."""
    said = f"used {used_on}, not restored"
    own = Because("restore", "A used unit is restored at once", Force.COMMON_PRACTICE, PRACTICE, None, used_on, said)
    because = (*(Because.of(rule, used_on, said) for rule in rules), own)
    standing = _since_use(day, used_on, used_on)
    period = used_at.isoformat()
    title = "restore the unit after use"
    return Duty("restore", "restore", title, standing, used_on, None, used_on, None, "coordinator", period, because)


def report_duties(
    day: date,
    uses: Sequence[Use],
    rules: Sequence[Rule],
    zone: str,
    working: WorkingDays,
    starts: Starts = always,
) -> list[Duty]:
    """The reports of a use that the place's rules ask for, one duty a rule: each goes to somebody else.

    Each is reckoned from the first use that was not reported for that rule. A rule that counts hours keeps its
    deadline to the minute; its last good day is the day of that minute in `zone`, where the unit stands now. A use
    before the first day on which the rule bound the unit counts from the beginning of that day.
    """
    found = []
    for rule in rules:
        owed = [use for use in uses if not use.reported and rule.id not in use.reported_for]
        if not owed:
            continue
        use = owed[0]
        used_on = use.day
        begun = starts(rule)
        since, deadline = begun.floor(used_on), None
        if rule.shape.span is Span.HOURS:
            deadline = hours_after(use.at if since == used_on else local_instant(since, time(), zone), rule.shape.n)
            good = local_day(deadline, zone)
        else:
            good = last_good_day(rule.shape, since, working)
        said = f"used {used_on}" + (f", the first of {len(owed)} uses not reported" if len(owed) > 1 else "")
        said = begun.said(said, used_on)
        found.append(
            Duty(
                f"report-use/{rule.id}",
                "report-use",
                f"report the use {_within(rule.shape)}",
                _since_use(day, used_on, good),
                min(used_on, good),
                None,
                good,
                deadline,
                "coordinator",
                use.at.isoformat(),
                (Because.of(rule, good, said),),
            )
        )
    return found


def download_duty(day: date, uses: Sequence[Use], sheet: ModelSheet | None) -> Duty | None:
    """The record of the event is taken out of the unit at once, before its memory wraps; None where it was.

    How full the memory is follows from the model sheet; each use since the last download takes a place in it.
    """
    kept = [use for use in uses if not use.downloaded]
    if not kept:
        return None
    used_on = kept[0].day
    said = f"{_counted(len(kept), 'use')} since the last download, the first on {used_on}"
    memory = _memory(kept, sheet)
    title = "The record of a use is downloaded before the memory is written over"
    because = [
        Because(
            "download", title, Force.COMMON_PRACTICE, PRACTICE, None, used_on, f"{said}; {memory}" if memory else said
        )
    ]
    if memory and sheet is not None:
        about = f"Event memory of {sheet.model}"
        because.append(
            Because("download-memory", about, Force.MANUFACTURER, sheet.source, sheet.verified_on, None, memory)
        )
    return _at_once(day, "download", "download the record of the use", used_on, kept[0], because)


def crew_note_duty(day: date, uses: Sequence[Use]) -> Duty | None:
    """The note about the use goes to the ambulance crew at once; None where it was handed over.

    What the note says is in the log alone, never in a reason: it is about a person.
    """
    owed = [use for use in uses if not use.note_handed]
    if not owed:
        return None
    used_on = owed[0].day
    title = "A note of each use goes to the ambulance crew, or to whoever answers for the unit"
    said = f"used {used_on}, no crew note handed over"
    because = [Because("crew-note", title, Force.COMMON_PRACTICE, PRACTICE, None, used_on, said)]
    return _at_once(day, "crew-note", "hand over the crew note", used_on, owed[0], because)


def replace_duty(day: date, out_on: date, rules: Sequence[Rule], working: WorkingDays, starts: Starts = always) -> Duty:
    """A unit out of service is replaced or repaired; the earliest of the rules decides."""
    said = f"out of service since {out_on}"
    found = []
    for rule in rules:
        good, begun = last_good_day(rule.shape, out_on, working), starts(rule)
        found.append(Because.of(rule, begun.floor(good), begun.said(said, good)))
    because = by_date(found, [])
    good = because[0].last_good_day or out_on
    standing = standing_of(day, out_on, good)
    subject = "replace or repair the unit"
    return Duty("replace", "replace", subject, standing, out_on, None, good, None, "coordinator", str(out_on), because)


def _at_once(day: date, kind: str, subject: str, used_on: date, use: Use, because: Sequence[Because]) -> Duty:
    standing = _since_use(day, used_on, used_on)
    period = use.at.isoformat()
    return Duty(kind, kind, subject, standing, used_on, None, used_on, None, "coordinator", period, tuple(because))


def _since_use(day: date, used_on: date, good: date) -> Standing:
    """The standing of what a use leaves to be done. It happened: where the unit was moved over the date line since, its
    day may be to come in the new place, and nothing waits for that."""
    return standing_of(day, min(day, used_on), good)


def _memory(kept: Sequence[Use], sheet: ModelSheet | None) -> str:
    """What the uses since the last download leave of the memory, in words; "" where the sheet does not say."""
    if sheet is None or sheet.memory_events is None:
        return ""
    events, uses = sheet.memory_events, len(kept)
    said = f"the memory holds {_counted(events, 'event')}"
    if uses > events:
        return f"{said}: the oldest record is overwritten"
    if sheet.memory_hours_each is not None:
        minutes = sum(use.minutes or 0 for use in kept)
        if minutes > events * sheet.memory_hours_each * 60:
            return f"{said} of {_counted(sheet.memory_hours_each, 'hour')} each, and these uses were longer than that"
    if uses == events:
        return f"{said}: the next use overwrites the oldest"
    return said


def _counted(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _within(shape: Shape) -> str:
    if shape.span is Span.AT_ONCE:
        return "at once"
    if shape.span is Span.HOURS:
        return f"within {_counted(shape.n, 'hour')}"
    if shape.span is Span.WORKING_DAYS:
        return f"within {_counted(shape.n, 'working day')}"
    return f"within {_counted(shape.n, 'day')}"


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
