"""Reads a shape as written in a file: `{ days = 90 }`, `{ months = 24, to = "month-end" }`, `{ each = "month" }`.

How long records are kept is written alike, under another key: `{ months = 24 }`, `{ life_of_unit = true }`.
Which shapes a subject can have is said here too, because a shape that reckoning would pass over in silence is worse
than one refused.
"""

from __future__ import annotations

from collections.abc import Collection

from ..reckoning.dates import PERIODS
from ..reckoning.rules import Shape, Span, Staffing, Subject
from ..register.tomlfile import Table

ROUNDS = (Subject.LOOK, Subject.TEST, Subject.INSPECTION, Subject.REPORT_CHECK, Subject.SELF_TEST)
PLACING = (Subject.REGISTER, Subject.NOTIFY)
PARTS = (Subject.PADS, Subject.BATTERY, Subject.KIT)
PEOPLE = (Subject.CERTIFICATE, Subject.REFRESHER)

_INTERVALS = (Span.DAYS, Span.MONTHS, Span.MONTHS_TO_MONTH_END, Span.EACH, Span.WORKING_DAYS)
_ROUND_SPANS = (*_INTERVALS, Span.PER_MODEL)
_PART_SPANS = (Span.LABEL, Span.DAYS, Span.MONTHS, Span.MONTHS_TO_MONTH_END, Span.EACH)

SPANS: dict[Subject, tuple[Span, ...]] = {
    **dict.fromkeys(ROUNDS, _ROUND_SPANS),
    **dict.fromkeys(PARTS, _PART_SPANS),
    **dict.fromkeys(PEOPLE, (Span.DAYS, Span.MONTHS, Span.MONTHS_TO_MONTH_END, Span.EACH)),
    Subject.RESTORE: (Span.AT_ONCE,),
    Subject.REPLACE: (Span.AT_ONCE, Span.DAYS, Span.MONTHS, Span.WORKING_DAYS),
    Subject.REPORT_USE: (Span.AT_ONCE, Span.HOURS, Span.DAYS, Span.WORKING_DAYS),
    **dict.fromkeys(PLACING, (Span.AT_ONCE, Span.DAYS, Span.MONTHS, Span.WORKING_DAYS)),
    Subject.RENEW: (Span.DAYS, Span.MONTHS, Span.MONTHS_TO_MONTH_END, Span.EACH),
}

# How each span is written; the last words of an error.
WRITTEN = {
    Span.DAYS: "{ days = 90 }",
    Span.MONTHS: "{ months = 1 }",
    Span.MONTHS_TO_MONTH_END: '{ months = 24, to = "month-end" }',
    Span.EACH: '{ each = "month" }',
    Span.WORKING_DAYS: "{ working_days = 5 }",
    Span.HOURS: "{ hours = 72 }",
    Span.AT_ONCE: "{ at_once = true }",
    Span.PER_MODEL: "{ per_model = true }",
    Span.LABEL: "{ label = true }",
}

# A century at most: enough for any rule, and no date can run out of the calendar.
_NUMBERS = {
    "days": (Span.DAYS, 36500),
    "months": (Span.MONTHS, 1200),
    "working_days": (Span.WORKING_DAYS, 2600),
    "hours": (Span.HOURS, 8760),
}
_PLAIN = {"at_once": Span.AT_ONCE, "per_model": Span.PER_MODEL, "label": Span.LABEL}
_KEYS = ("days", "months", "each", "working_days", "hours", "at_once", "per_model", "label")


def spans_of_a_sheet() -> tuple[Span, ...]:
    """The spans that a manual's interval can have."""
    return _INTERVALS


def read_shape(table: Table, key: str, spans: Collection[Span]) -> Shape | None:
    """The shape under that key, if it is whole and of one of these spans; else what is wrong is noted."""
    before = len(table.problems)
    inner = table.table(key, required=True)
    if inner is None:
        return None
    shape = _read(inner)
    inner.finish()
    if shape is None or len(table.problems) > before:
        return None
    if shape.span not in spans:
        examples = " or ".join(WRITTEN[span] for span in spans)
        table.wrong(key, f"the shape {shape.span.value!r} has no meaning here; write {examples}")
        return None
    return shape


def _read(inner: Table) -> Shape | None:
    written = [key for key in _KEYS if inner.holds(key)]
    for key in (*_KEYS, "to"):
        inner.value(key)
    if len(written) != 1:
        said = f"says {' and '.join(written)} at once" if written else "says no shape"
        inner.problems.append(f"{inner.where}: {said}; write exactly one of: {', '.join(_KEYS)}")
        return None
    key = written[0]
    if inner.holds("to") and key != "months":
        inner.wrong("to", f"goes with months, not with {key}; take it out")
        return None
    if key == "each":
        period = inner.word("each", PERIODS)
        return Shape(Span.EACH, period=period) if period else None
    if key in _PLAIN:
        if inner.value(key) is not True:
            inner.wrong(key, "can only be true; write true or another shape")
            return None
        return Shape(_PLAIN[key])
    span, most = _NUMBERS[key]
    number = inner.number(key, 1, most)
    if inner.holds("to"):
        inner.word("to", ("month-end",))
        span = Span.MONTHS_TO_MONTH_END
    return Shape(span, number) if number is not None else None


_KEEP = {
    "months": Span.KEPT_MONTHS,
    "life_of_unit": Span.KEPT_FOR_LIFE,
    "until_next_check": Span.KEPT_UNTIL_NEXT_CHECK,
    "after_role_months": Span.KEPT_AFTER_ROLE,
}


def read_keep(table: Table, key: str) -> Shape | None:
    """How long records are kept, if that key says it whole; else what is wrong is noted.

    `after_role_months` is about the training records of a person: how long after they gave up the role.
    """
    before = len(table.problems)
    inner = table.table(key, required=True)
    if inner is None:
        return None
    written = [name for name in _KEEP if inner.holds(name)]
    for name in _KEEP:
        inner.value(name)
    inner.finish()
    if len(written) != 1:
        said = f"says {' and '.join(written)} at once" if written else "says nothing"
        inner.problems.append(f"{inner.where}: {said}; write exactly one of: {', '.join(_KEEP)}")
    if len(table.problems) > before:
        return None
    name = written[0]
    if name.endswith("months"):
        number = inner.number(name, 1, 1200)
        return Shape(_KEEP[name], number) if number is not None else None
    if inner.value(name) is not True:
        inner.wrong(name, "can only be true; write true or another way of keeping")
        return None
    return Shape(_KEEP[name])


_STAFFING = ("at_least", "per_unit_up_to", "then_per")


def read_staffing(table: Table, key: str) -> Staffing | None:
    """How many responders a site is to have: `{ at_least = 2 }`, `{ per_unit_up_to = 5, then_per = 5 }` or both."""
    before = len(table.problems)
    inner = table.table(key, required=True)
    if inner is None:
        return None
    numbers = [inner.number(name, 1, 1000) for name in _STAFFING]
    inner.finish()
    if numbers[2] is not None and numbers[1] is None:
        inner.wrong("then_per", "goes with per_unit_up_to; write that too")
    elif numbers[0] is None and numbers[1] is None and len(table.problems) == before:
        inner.problems.append(f"{inner.where}: says nothing; write at_least or per_unit_up_to")
    if len(table.problems) > before:
        return None
    return Staffing(*(number or 0 for number in numbers))
