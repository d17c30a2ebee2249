"""What a notice asks for: the duty with its deadlines and reasons, and the condition of the unit."""

from __future__ import annotations

from datetime import date

import pytest

from nightround.reckoning.noticed import Board
from nightround.reckoning.notices import Action
from nightround.reckoning.owed import Because, Condition, Standing
from nightround.reckoning.rules import Force
from tests.reckoning.core.build import d, duty

from .build import concern, notice, part, ranges, reckon, unit

SERIALS = notice(concern(serials=ranges(("100", "200"))), underway_by=d("2016-10-27"), complete_by=d("2016-11-17"))
STOP = notice(action=Action.STOP, what_to_do="")


def test_a_duty_names_the_notice_and_every_deadline_with_its_source() -> None:
    found = duty(reckon(unit("150"), "2016-10-20", SERIALS), "notice")
    assert found.key == "notice/FSN-7"
    assert found.subject == "notice FSN-7 (class II): relay may stick"
    assert (found.opens, found.last_good_day, found.order_by, found.role) == (
        d("2016-10-10"), d("2016-10-27"), None, "coordinator"
    )  # fmt: skip
    source, title = "letter of the maker, published 2016-10-06", "Keep in service. Order the replacement relay."
    why = "serial 150 is within 100 to 200"

    def because(day: date, said: str) -> Because:
        return Because("FSN-7", title, Force.MANUFACTURER, source, d("2016-10-10"), day, f"{why}; {said}")

    assert found.because == (
        because(d("2016-10-27"), "to be underway by 2016-10-27"),
        because(d("2016-11-17"), "to be complete by 2016-11-17"),
    )


@pytest.mark.parametrize(
    ("underway_by", "complete_by", "noted", "stage", "good"),
    [
        ("2016-10-27", "2016-11-17", (), "underway", "2016-10-27"),
        ("2016-10-27", "2016-11-17", ("underway",), "complete", "2016-11-17"),
        ("2016-10-27", "2016-11-17", ("complete",), "until fixed", None),  # what is complete was underway
        ("2016-10-27", None, (), "underway", "2016-10-27"),
        ("2016-10-27", None, ("underway",), "until fixed", None),
        (None, "2016-11-17", (), "complete", "2016-11-17"),
        (None, "2016-11-17", ("complete",), "until fixed", None),
        (None, None, (), "until fixed", None),
    ],
)
def test_the_next_open_deadline_is_the_last_good_day(
    underway_by: str | None, complete_by: str | None, noted: tuple[str, ...], stage: str, good: str | None
) -> None:
    of = notice(underway_by=underway_by and d(underway_by), complete_by=complete_by and d(complete_by))
    facts = unit(noted=[(what, "2016-10-20") for what in noted])
    found = duty(reckon(facts, "2016-10-20", of), "notice")
    assert (found.period, found.last_good_day) == (stage, good and d(good))
    assert found.standing is Standing.OPEN


def test_without_a_deadline_it_is_open_and_the_unit_has_work_due() -> None:
    found = reckon(unit(), "2016-10-30", notice())
    assert found.condition is Condition.WORK_DUE
    assert "notice FSN-7 (class II): relay may stick: open until it is done" in found.reasons
    assert duty(found, "notice").because[0].evidence == (
        "every unit of the model; open until its correction is recorded"
    )


def test_where_the_facts_cannot_tell_finding_out_has_the_same_deadline() -> None:
    found = reckon(unit(""), "2016-10-28", SERIALS)
    owed = duty(found, "notice")
    assert owed.subject == "notice FSN-7 (class II), find out whether it is meant: relay may stick"
    assert (owed.standing, owed.last_good_day) == (Standing.OVERDUE, d("2016-10-27"))
    assert owed.because[0].evidence.startswith("serial not recorded; to be underway by")
    assert found.condition is Condition.WORK_DUE


def test_a_unit_that_is_clear_owes_nothing() -> None:
    found = reckon(unit("250"), "2016-10-28", SERIALS)
    assert not [item for item in found.duties if item.kind == "notice"]
    assert found.condition is Condition.IN_SERVICE


def test_stop_using_makes_the_unit_not_to_be_relied_on_until_it_is_corrected() -> None:
    found = reckon(unit(), "2016-10-28", STOP)
    assert found.condition is Condition.NOT_TO_BE_RELIED_ON
    assert found.reasons == ("notice FSN-7 says stop using: relay may stick",)
    assert reckon(unit(noted=[("underway", "2016-10-20")]), "2016-10-28", STOP).reasons == found.reasons
    fixed = reckon(unit(noted=[("corrected", "2016-10-27")]), "2016-10-28", STOP)
    assert fixed.condition is Condition.IN_SERVICE


def test_keep_in_service_update_and_inspect_leave_the_unit_in_use() -> None:
    for action in (Action.KEEP, Action.UPDATE, Action.INSPECT):
        assert reckon(unit(), "2016-10-28", notice(action=action)).condition is Condition.WORK_DUE


def test_stop_using_where_the_facts_cannot_tell_is_work_due_and_says_so() -> None:
    found = reckon(unit(model=""), "2016-10-28", STOP)
    assert found.condition is Condition.WORK_DUE
    assert "find out whether it is meant" in found.reasons[0]


def test_a_withdrawn_unit_stays_withdrawn_and_still_owes_the_notice() -> None:
    found = reckon(unit(withdrawn_on=d("2016-10-20")), "2016-10-28", STOP)
    assert found.condition is Condition.WITHDRAWN
    assert duty(found, "notice").standing is Standing.OPEN


def test_a_closed_notice_asks_for_nothing() -> None:
    found = reckon(unit(), "2017-01-01", STOP._replace(closed_on=d("2017-01-01")))
    assert found.condition is not Condition.NOT_TO_BE_RELIED_ON
    assert not [item for item in found.duties if item.kind == "notice"]


def test_two_notices_make_two_duties() -> None:
    found = reckon(unit("150"), "2016-10-20", SERIALS, STOP._replace(reference="MDA/2014/037", grade=""))
    assert [item.subject for item in found.duties if item.kind == "notice"] == [
        "notice FSN-7 (class II): relay may stick",
        "notice MDA/2014/037: relay may stick",
    ]


def test_spares_of_a_site_have_the_earliest_deadline_and_name_what_they_are() -> None:
    lots = notice(concern(parts=("pads-adult",), lots=ranges("L-100")), underway_by=d("2016-10-27"))
    (found,) = Board([lots], {}).spares(d("2016-10-28"), [part("pads-adult", "L-100", "spare")])
    assert (found.standing, found.last_good_day) == (Standing.OVERDUE, d("2016-10-27"))
    assert found.because[0].evidence.startswith("lot L-100 of the spare pads-adult is named")
    assert not Board([lots._replace(closed_on=d("2016-10-20"))], {}).spares(
        d("2016-10-28"), [part("pads-adult", "L-100", "spare")]
    )


def test_notices_change_no_other_duty() -> None:
    plain = [item for item in reckon(unit("150"), "2016-10-28", SERIALS).duties if item.kind != "notice"]
    assert plain == list(reckon(unit("150"), "2016-10-28").duties)
