"""Behind the cabinet's QR code: strangers learn where the unit is and can bring bad news; nobody else's good news."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import func, select

from nightround.bootstrap import Program
from nightround.pages.forms import PROBLEMS
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import conditions, log, units
from tests.conftest import Clock

from .conftest import NewVisitor, Visitor, words

LABEL = "/at/label00000000000000001"  # MILL-01, in service


def count(program: Program) -> int:
    with program.store.read() as conn:
        return conn.execute(select(func.count()).select_from(log)).scalar_one()


def state(program: Program, unit: str = "MILL-01") -> tuple[str, str]:
    with program.store.read() as conn:
        row = conn.execute(
            select(conditions.c.condition, conditions.c.reasons)
            .join(units, units.c.id == conditions.c.unit_id)
            .where(units.c.unit == unit)
        ).one()
    return row.condition, row.reasons


def test_a_stranger_sees_unit_spot_site_and_the_caution(settled: Program, visitor: NewVisitor) -> None:
    text = words(visitor(settled).get(LABEL))
    assert "MILL-01" in text and "Reception, left of the lift" in text and "Mill Lane School" in text
    assert "Emergency? Call the emergency number first. Then use this unit: switch it on and follow its prompts" in text
    assert "unless its manufacturer, a safety notice or its coordinator has withdrawn it" in text


@pytest.mark.parametrize("number", range(1, 8))
def test_a_stranger_learns_no_date_person_condition_or_other_site(
    settled_once: Program, visitor: NewVisitor, number: int
) -> None:
    web = visitor(settled_once)
    for answer in (web.get(f"/at/label{number:017}"), web.get(f"/at/label{number:017}?told=1&done=3")):
        html = answer.text
        assert not re.search(r"\b20[234]\d\b", html), "a year"
        for word in (
            "Ada",
            "Ben",
            "Dev",
            "example.org",
            "TF0000",
            "L2210",
            "fault since",
            "relied",
            "overdue",
            "<time",
        ):
            assert word not in html, word
        others = {"Mill Lane School", "Harbour Pool", "Salle des fêtes"} - {site for site in [html] if site in html}
        assert sum(site in html for site in others) == 1


def test_a_report_makes_the_unit_unreliable_at_once(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled)
    assert state(settled)[0] == "in service"
    answer = web.send(LABEL, LABEL, problem="light", note="beeps\x07 twice")
    assert (answer.status_code, answer.headers["location"]) == (303, f"{LABEL}?told=1")
    assert "Thank you." in words(web.get(f"{LABEL}?told=1"))
    condition, reasons = state(settled)
    assert condition == "not to be relied on"
    assert "fault light or beep: beeps twice" in reasons
    with settled.store.read() as conn:
        newest = conn.execute(select(log).order_by(log.c.id.desc()).limit(1)).one()
    assert (newest.entry, newest.by_person, newest.at) == ("fault", "", settled.clock())


@pytest.mark.parametrize("problem", sorted(PROBLEMS))
def test_every_choice_is_bad_news(settled_once: Program, visitor: NewVisitor, problem: str) -> None:
    visitor(settled_once).send(LABEL, LABEL, problem=problem, note="seen from outside")
    condition, reasons = state(settled_once)
    assert condition in ("not to be relied on", "work due"), (problem, condition)
    assert reasons != "[]"


@pytest.mark.parametrize(
    "form",
    [
        {"entry": "check", "self-test": "ok", "scope": "inspection"},
        {"entry": "check", "problem": "light", "self-test": "ok"},
    ],
)
def test_a_stranger_cannot_say_that_all_is_well(settled: Program, visitor: NewVisitor, form: dict[str, str]) -> None:
    web = visitor(settled)
    before = count(settled)
    answer = web.post(LABEL, {**form, "form_token": web.token(LABEL)})
    assert answer.status_code == 403
    assert "Only a person who is known here can record that a unit was checked" in words(answer)
    assert count(settled) == before


@pytest.mark.parametrize(
    "form",
    [
        {"self-test": "ok"},
        {"entry": "returned", "note": "all good"},
        {"entry": "fitted", "kind": "battery", "label_date": "2030-01-31"},
        {"problem": ""},
        {"problem": "ok"},
        {"problem": "none"},
        {"problem": "other"},
        {"problem": "other", "note": " \x00 "},
    ],
)
def test_what_is_no_problem_is_refused(settled_once: Program, visitor: NewVisitor, form: dict[str, str]) -> None:
    web = visitor(settled_once)
    before = count(settled_once)
    answer = web.post(LABEL, {**form, "form_token": web.token(LABEL)})
    assert answer.status_code == 400 and "Nothing was recorded" in words(answer)
    assert count(settled_once) == before


def test_good_readings_sent_along_with_a_problem_are_not_kept(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    web.send("/at/label00000000000000006", "/at/label00000000000000006", problem="damaged", self_test="ok", pads="ok")
    with settled_once.store.read() as conn:
        assert (
            conn.execute(select(log.c.readings).order_by(log.c.id.desc()).limit(1)).scalar_one() == '{"damage":"yes"}'
        )
    assert "fault since" in state(settled_once, "POOL-02")[1], "the fault that was there stays"


def report(web: Visitor, number: int) -> int:
    return web.send(LABEL, LABEL, problem="other", note=f"thing {number}").status_code


def test_the_eleventh_report_in_an_hour_is_kept_like_the_first(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    web = visitor(settled)
    before = count(settled)
    for number in range(12):
        assert report(web, number) == 303
        clock.forward(minutes=1)
    assert count(settled) == before + 12


def test_a_known_person_gets_the_check_form_and_is_believed(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P5")
    label = "/at/label00000000000000005"  # POOL-01, its look 14 days overdue
    assert "Record a check" in words(web.get(label))
    answer = web.send(
        label, label, entry="check", self_test="ok", pads="ok", battery_bars="4", battery_full="4", scope="look"
    )
    assert answer.status_code == 303
    assert state(settled, "POOL-01")[0] == "in service"
    assert "See the unit's page" in words(web.get(answer.headers["location"]))


def test_a_known_person_s_report_carries_their_name(settled_once: Program, visitor: NewVisitor) -> None:
    visitor(settled_once, "P2").send(LABEL, LABEL, problem="cabinet")
    with settled_once.store.read() as conn:
        assert conn.execute(select(log.c.by_person).order_by(log.c.id.desc()).limit(1)).scalar_one() == "P2"


def test_at_a_withdrawn_unit_nobody_is_told_to_use_it(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        unit_id = conn.execute(select(units.c.id).where(units.c.unit == "MILL-01")).scalar_one()
        record(conn, NewEntry(unit_id, settled.clock(), "withdrawn", "P1", note="recall of 2026"), settled.clock())
    reckon_units(settled, [unit_id])
    text = words(visitor(settled).get(LABEL))
    assert "Emergency? Call the emergency number first. This unit has been withdrawn. Do not use it" in text
    assert "Then use this unit" not in text
    assert "recall of 2026" not in text


@pytest.mark.parametrize(
    "label", ["nothing", "label0000000000000000", "LABEL00000000000000001", "'; drop table log; --", "é"]
)
def test_a_wrong_label_is_not_there(settled_once: Program, visitor: NewVisitor, label: str) -> None:
    web = visitor(settled_once)
    assert web.get(f"/at/{label}").status_code == 404
    form = {"problem": "light", "form_token": web.token("/sign-in")}
    assert web.post(f"/at/{label}", form).status_code == 404


def test_a_long_note_is_refused_before_anything_is_kept(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    before = count(settled_once)
    assert web.send(LABEL, LABEL, problem="other", note="x" * 501).status_code == 400
    assert web.send(LABEL, LABEL, problem="other", note="x" * 40_000).status_code == 413
    assert count(settled_once) == before
