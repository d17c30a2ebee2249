"""What needs a person: the table of causes, and what holds for every unit."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.reckoning.notices import is_first_class
from nightround.reckoning.owed import Because, Condition, Duty, Reason, Reckoned, Standing
from nightround.reckoning.rules import Force
from nightround.rounds.causes import AT_ONCE, KINDS, Cause, Causes, Limits, sentences

TODAY = date(2026, 11, 25)
LONG_AGO = TODAY - timedelta(days=60)
Since = Callable[[str], date | None]


def duty(
    kind: str,
    over: int | None = 1,
    *,
    key: str = "",
    interval: int = 30,
    standing: Standing = Standing.OVERDUE,
) -> Duty:
    """A duty that many days over its last good day; None: none is known."""
    good = None if over is None else TODAY - timedelta(days=over)
    done = "" if good is None else str(good - timedelta(days=interval))
    because = (Because("r", f"rule of {kind}", Force.HOUSE, "house", TODAY, good, f"why of {kind}"),)
    return Duty(key or kind, kind, f"{kind} duty", standing, None, None, good, None, "coordinator", done, because)


def unknown(kind: str) -> Duty:
    return duty(kind, None, standing=Standing.NOT_RECORDED)


def causes(
    condition: Condition,
    duties: tuple[Duty, ...] = (),
    reasons: tuple[str, ...] = (),
    *,
    closed: bool = False,
    since: date | None = LONG_AGO,
    gravest: str = "",
) -> list[Cause]:
    limits = Limits(30, 14, lambda reference: reference == gravest)
    return Causes(TODAY, limits).of_unit(Reckoned(duties, condition, reasons), lambda _: since, closed)


def told(found: list[Cause]) -> list[tuple[str, str, str, str]]:
    return [(cause.tail, cause.kind, cause.severity, cause.held) for cause in found]


FAULT = Reason("fault since 2026-11-20", Reason.FAULT)
USED = Reason("used 2026-11-24, not restored", Reason.USED)
PADS = Reason("fitted pads-adult past its label date, good to 2026-11-10")
STOP = Reason("notice FSN-7 says stop using: Capacitor", Reason.NOTICE, "FSN-7")
BAD, WORK, OUT = Condition.NOT_TO_BE_RELIED_ON, Condition.WORK_DUE, Condition.WITHDRAWN

TABLE = [
    ("nothing", WORK, (), (), []),
    ("a look just over", WORK, (duty("look"),), (), [("overdue", "overdue", "soon", "")]),
    ("the 30th day over is not yet long", WORK, (duty("look", 30),), (), [("overdue", "overdue", "soon", "")]),
    ("the 31st is", WORK, (duty("look", 31),), (), [("overdue", "long-overdue", "soon", "")]),
    (
        "a week's look is long over after a week",
        WORK,
        (duty("look", 8, interval=7),),
        (),
        [("overdue", "long-overdue", "soon", "")],
    ),
    ("a part has no interval", WORK, (duty("pads-adult", 29, interval=3),), (), [("overdue", "overdue", "soon", "")]),
    ("one long one is enough", WORK, (duty("look"), duty("test", 200)), (), [("overdue", "long-overdue", "soon", "")]),
    ("not recorded", WORK, (unknown("look"),), (), [("not-recorded", "not-recorded", "routine", "")]),
    ("a notice", WORK, (duty("notice", key="notice/FSN-7"),), (), [("notice/FSN-7", "notice", "soon", "")]),
    ("a grave one", WORK, (duty("notice", key="notice/GRAVE"),), (), [("notice/GRAVE", "notice", "urgent", "")]),
    ("a fault", BAD, (duty("put-right"),), (FAULT,), [("fault", "fault", "urgent", "")]),
    (
        "a use with all that follows",
        BAD,
        (duty("restore"), duty("download"), duty("crew-note"), duty("report-use")),
        (USED,),
        [("used", "used", "urgent", "")],
    ),
    (
        "old pads",
        BAD,
        (duty("pads-adult", 15, key="pads-adult/fitted/3"),),
        (PADS,),
        [("not-to-be-relied-on", "not-to-be-relied-on", "urgent", "")],
    ),
    ("a notice to stop", BAD, (), (STOP,), [("notice/FSN-7", "notice", "urgent", "")]),
    (
        "a notice to stop that is overdue is one case",
        BAD,
        (duty("notice", key="notice/FSN-7"),),
        (STOP,),
        [("notice/FSN-7", "notice", "urgent", "")],
    ),
    (
        "every reason its own case, what can wait held back",
        BAD,
        (duty("look", 40), unknown("battery")),
        (PADS, STOP, USED, FAULT),
        [
            ("fault", "fault", "urgent", ""),
            ("used", "used", "urgent", ""),
            ("not-to-be-relied-on", "not-to-be-relied-on", "urgent", ""),
            ("notice/FSN-7", "notice", "urgent", ""),
            ("overdue", "long-overdue", "soon", "unreliable"),
            ("not-recorded", "not-recorded", "routine", "unreliable"),
        ],
    ),
    (
        "a report does not wait for a fault",
        BAD,
        (duty("report-use"), duty("look")),
        (FAULT,),
        [("fault", "fault", "urgent", ""), ("overdue", "overdue", "soon", "")],
    ),
    ("withdrawn", OUT, (duty("look", 90), unknown("test")), (), []),
    ("withdrawn and not replaced", OUT, (duty("look"), duty("replace")), (), [("overdue", "overdue", "soon", "")]),
]


@pytest.mark.parametrize(("condition", "duties", "reasons", "expected"), [row[1:] for row in TABLE], ids=lambda _: "")
def test_the_table_of_causes(
    condition: Condition,
    duties: tuple[Duty, ...],
    reasons: tuple[str, ...],
    expected: list[tuple[str, str, str, str]],
) -> None:
    assert told(causes(condition, duties, reasons, gravest="GRAVE")) == expected


def test_what_is_not_recorded_is_a_case_from_the_day_after_the_days_set() -> None:
    for days, expected in ((None, 0), (0, 0), (14, 0), (15, 1)):
        since = None if days is None else TODAY - timedelta(days=days)
        assert len(causes(WORK, (unknown("look"),), since=since)) == expected


def test_a_closed_site_holds_back_looks_and_parts_and_nothing_else() -> None:
    duties = (duty("look"), duty("notice", key="notice/FSN-7"), unknown("battery"))
    assert told(causes(WORK, duties, closed=True)) == [
        ("notice/FSN-7", "notice", "soon", ""),
        ("overdue", "overdue", "soon", "closed"),
        ("not-recorded", "not-recorded", "routine", "closed"),
    ]
    assert told(causes(BAD, duties, (FAULT,), closed=True))[0] == ("fault", "fault", "urgent", "")
    (reported,) = causes(WORK, (duty("look"), duty("report-use")), closed=True)
    assert reported.held == ""
    assert sentences(reported.what) == ["report-use duty: overdue, last good day was 2026-11-24"]


def test_what_makes_a_unit_unreliable_is_told_and_the_rest_counted() -> None:
    duties = (
        duty("pads-adult", 15, key="pads-adult/fitted/3"),
        duty("look"),
        duty("pads-adult", key="pads-adult/spare/4"),
    )
    found = causes(BAD, duties, (PADS,))
    assert sentences(found[0].what) == [
        PADS,
        "pads-adult duty: overdue, last good day was 2026-11-10",
        "2 other duties wait too; see the unit's page",
    ]
    assert found[1].held == "unreliable"


def test_the_same_kinds_of_duty_share_a_reason_whatever_their_dates() -> None:
    def shared(*duties: Duty) -> str:
        return causes(WORK, duties)[0].shared

    assert shared(duty("look", 3), duty("test", 9)) == shared(duty("test", 90), duty("look", 60)) == "overdue/look+test"
    assert shared(duty("pads-adult", key="pads-adult/spare/1")) == "overdue/pads-adult-spare"
    assert shared(duty("look"), duty("put-right")) == ""
    assert len(f"s{2**31}/group/" + shared(*(duty(f"kind-of-part-{n}") for n in range(9)))) <= 80


def test_a_site_has_its_own_causes() -> None:
    found = Causes(TODAY, Limits()).of_site(
        [duty("pads-adult", key="pads-adult/spare/1"), duty("no-contact")], lambda _: LONG_AGO
    )
    assert told(found) == [("overdue", "overdue", "soon", ""), ("no-contact", "no-contact", "soon", "")]
    closed = Causes(TODAY, Limits()).of_site([duty("battery")], lambda _: LONG_AGO, closed=True)
    assert told(closed) == [("overdue", "overdue", "soon", "closed")]


REASONS = st.lists(st.sampled_from([FAULT, USED, PADS, STOP]), unique=True)
DUTIES = st.lists(
    st.builds(
        duty,
        st.sampled_from(["look", "test", "pads-adult", "battery", "kit-gloves", *sorted(AT_ONCE)]),
        st.integers(1, 100),
        standing=st.sampled_from([Standing.OVERDUE, Standing.OPEN, Standing.NOT_RECORDED]),
    ),
    max_size=6,
    unique_by=lambda one: one.kind,
)


@settings(max_examples=200)
@given(DUTIES, REASONS, st.booleans(), st.booleans(), st.randoms(use_true_random=False))
def test_everything_overdue_or_unreliable_has_its_cause_and_nothing_else_has(
    duties: list[Duty], reasons: list[Reason], closed: bool, withdrawn: bool, dice: object
) -> None:
    condition = OUT if withdrawn else BAD if reasons else WORK
    said = () if withdrawn else tuple(reasons)
    found = causes(condition, tuple(duties), said, closed=closed)
    tails = [cause.tail for cause in found]
    assert len(set(tails)) == len(tails)
    assert all(cause.kind in KINDS for cause in found)
    assert {cause.kind for cause in found if cause.severity == "urgent"} == {reason.kind for reason in said}
    assert all(not cause.held for cause in found if cause.severity == "urgent")
    overdue = [one for one in duties if one.standing is Standing.OVERDUE]
    counted = [one for one in overdue if not withdrawn or one.kind == "replace"]
    everything = [item["subject"] for cause in found for item in json.loads(cause.what)]
    held = closed or bool(said)
    for one in counted:
        # Once, and only what can wait may be left to the unit's page while something else cannot.
        times = everything.count(one.subject)
        assert times == 1 or (times == 0 and held and one.kind not in AT_ONCE)
    if not counted and not said and not any(one.standing is Standing.NOT_RECORDED for one in duties):
        assert found == []
    dice.shuffle(duties)  # type: ignore[attr-defined]
    assert causes(condition, tuple(duties), said, closed=closed) == found


@pytest.mark.parametrize(
    ("grade", "expected"),
    [
        *[(grade, True) for grade in ("I", "1", "Class I", "class 1", "Klasse I", "Class I (most serious)", "クラスI")],
        *[
            (grade, False)
            for grade in ("", "II", "III", "IV", "2", "10", "A", "urgent", "Class II", "Class II (I of III)")
        ],
    ],
)
def test_the_first_of_the_classes_that_are_numbered_is_the_gravest(grade: str, expected: bool) -> None:
    # 21 CFR 7.3(m): class I, II, III from the gravest down; from memory.
    assert is_first_class(grade) is expected
