"""Answering a safety notice, and reporting a use for one rule alone, on the unit's page over HTTP."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from nightround.bootstrap import Program
from nightround.register.log import NewEntry
from nightround.register.noticefile import parse_notice
from nightround.register.notices import add
from nightround.register.recording import record
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import duties, sites, units
from tests.conftest import START

from .conftest import NewVisitor, Visitor, words
from .test_unit_log import condition, count, newest

NOTICE = """
reference = "FSN 7/b"
title = "relay may <stick>"
source = "letter of the maker"
issued_by = "manufacturer"
published_on = 2026-11-20
underway_by = 2026-12-01
complete_by = 2026-12-20
action = "stop using"
[[concerns]]
models = ["Tarnlight Five"]
serials = ["TF000001"]
"""


def noticed(program: Program, text: str = NOTICE, unit: str = "MILL-01") -> int:
    with program.store.write() as conn:
        add(conn, parse_notice(text, "fsn-7.toml"), text, START)
        unit_id: int = conn.execute(select(units.c.id).where(units.c.unit == unit)).scalar_one()
    reckon_units(program, [unit_id])
    return unit_id


def answer(web: Visitor, stage: str, unit: str = "MILL-01", notice: str = "FSN 7/b", note: str = ""):  # type: ignore[no-untyped-def]
    return web.send(f"/units/{unit}", f"/units/{unit}/log", entry="notice", notice=notice, stage=stage, note=note)


def stage_owed(program: Program, unit_id: int) -> str:
    with program.store.read() as conn:
        query = select(duties.c.period).where(duties.c.unit_id == unit_id, duties.c.kind == "notice")
        return str(conn.execute(query).scalar_one_or_none())


def test_a_notice_is_answered_stage_by_stage_until_it_is_done(settled: Program, visitor: NewVisitor) -> None:
    unit_id = noticed(settled)
    web = visitor(settled, "P1")
    assert stage_owed(settled, unit_id) == "underway"
    told = answer(web, "underway", note="ordered the part")
    assert told.status_code == 303
    entry = newest(settled)
    assert (entry.entry, entry.by_person, entry.note) == ("reported", "P1", "ordered the part")
    assert json.loads(entry.readings) == {"notice": "FSN 7/b", "stage": "underway"}
    assert "Recorded: reported" in words(web.get(told.headers["location"].partition("#")[0]))
    assert stage_owed(settled, unit_id) == "complete"
    assert answer(web, "complete").status_code == 303
    assert stage_owed(settled, unit_id) == "until fixed"
    assert condition(settled, "MILL-01") == "not to be relied on"
    assert answer(web, "corrected").status_code == 303
    assert newest(settled).entry == "corrected"
    assert stage_owed(settled, unit_id) == "None"
    assert condition(settled, "MILL-01") == "in service"
    assert "Done about notice" not in words(web.get("/units/MILL-01"))


def test_only_what_says_something_new_is_offered(settled_once: Program, visitor: NewVisitor) -> None:
    noticed(settled_once)
    web = visitor(settled_once, "P4")
    page = web.get("/units/MILL-01").text
    (choices,) = re.findall(r'<select id="notice-1-stage".*?</select>', page, re.DOTALL)
    assert re.findall(r'value="([^"]+)"', choices) == ["underway", "complete", "corrected"]
    assert "relay may &lt;stick&gt;" in page
    answer(web, "complete")
    (choices,) = re.findall(r'<select id="notice-1-stage".*?</select>', web.get("/units/MILL-01").text, re.DOTALL)
    assert re.findall(r'value="([^"]+)"', choices) == ["corrected"]
    before = count(settled_once)
    again = answer(web, "underway", note="late")
    assert again.status_code == 400 and "on record already" in words(again)
    assert count(settled_once) == before


def test_where_the_record_cannot_tell_somebody_may_find_out_that_it_is_not_meant(
    settled_once: Program, visitor: NewVisitor
) -> None:
    with settled_once.store.write() as conn:
        conn.execute(update(units).where(units.c.unit == "MILL-01").values(serial=""))
    unit_id = noticed(settled_once)
    web = visitor(settled_once, "P1")
    assert "looked into: it is not one of those meant" in words(web.get("/units/MILL-01"))
    assert answer(web, "not-concerned").status_code == 303
    assert stage_owed(settled_once, unit_id) == "None"


@pytest.mark.parametrize(
    ("stage", "notice", "said"),
    [
        ("", "FSN 7/b", "Choose what was done"),
        ("mended", "FSN 7/b", "Choose what was done"),
        ("not-concerned", "FSN 7/b", "cannot be said of this unit"),
        ("corrected", "FSN-8", "asks nothing of this unit"),
        ("corrected", "", "Choose which notice"),
    ],
)
def test_what_would_count_for_nothing_is_refused_and_what_was_typed_is_kept(
    settled_once: Program, visitor: NewVisitor, stage: str, notice: str, said: str
) -> None:
    noticed(settled_once)
    before = count(settled_once)
    told = answer(visitor(settled_once, "P1"), stage, notice=notice, note="seen to")
    assert told.status_code == 400
    assert said in words(told) and "Nothing was recorded" in words(told)
    assert count(settled_once) == before
    if notice == "FSN 7/b":
        assert "seen to</textarea>" in told.text


@pytest.mark.parametrize("person", ["P2", "P5", ""])
def test_only_those_who_look_after_the_unit_answer_a_notice(
    settled_once: Program, visitor: NewVisitor, person: str
) -> None:
    noticed(settled_once, NOTICE.replace("TF000001", "TF000005") if person == "P5" else NOTICE)
    noticed(settled_once, NOTICE.replace("FSN 7/b", "FSN-9").replace("TF000001", "TF000005"), "POOL-01")
    before = count(settled_once)
    unit = "POOL-01" if person == "P5" else "MILL-01"
    web = visitor(settled_once, person)
    if not person:
        told = web.post(f"/units/{unit}/log", {"entry": "notice", "notice": "FSN 7/b", "stage": "corrected"})
        assert told.status_code in (303, 403)
    else:
        assert "Done about notice" not in words(web.get(f"/units/{unit}"))
        told = answer(web, "corrected", unit, "FSN-9" if person == "P5" else "FSN 7/b")
        assert told.status_code == 400 and "ask the unit's coordinator" in words(told)
    assert count(settled_once) == before


HOUSE = """
[pack]
title = "House rules"
[[rule]]
id = "house-report-use"
title = "The insurer is told of each use"
subject = "report-use"
shape = { days = 14 }
force = "house"
source = "house rule"
verified_on = 2026-11-25
"""


def used(program: Program) -> int:
    """A use in Madrid, where a rule asks for a report of it, and a house rule for another."""
    folder = program.settings.folder / "packs"
    folder.mkdir()
    (folder / "house.toml").write_text(HOUSE, "utf-8")
    program.settings.rules.folder = folder
    with program.store.write() as conn:
        unit_id, site_id = conn.execute(select(units.c.id, units.c.site_id).where(units.c.unit == "MILL-01")).one()
        conn.execute(update(sites).where(sites.c.id == site_id).values(country="ES", subdivision="MD"))
        record(conn, NewEntry(unit_id, START - timedelta(hours=2), "used", "P1"), START)
    reckon_units(program, [unit_id])
    return int(unit_id)


def reports_owed(program: Program, unit_id: int) -> list[str]:
    with program.store.read() as conn:
        query = select(duties.c.key).where(duties.c.unit_id == unit_id, duties.c.kind == "report-use")
        return sorted(key.removeprefix("report-use/") for key in conn.execute(query).scalars())


def test_the_report_of_a_use_for_one_rule_leaves_the_others_owed(settled: Program, visitor: NewVisitor) -> None:
    unit_id = used(settled)
    owed = reports_owed(settled, unit_id)
    assert owed == ["es-md-report-use-72-hours", "house-report-use"]
    web = visitor(settled, "P1")
    page = web.get("/units/MILL-01").text
    assert all(f'value="rule/{rule}"' in page for rule in owed)
    assert "a use, for: The insurer is told of each use" in page
    told = web.send("/units/MILL-01", "/units/MILL-01/log", entry="reported", about=f"rule/{owed[0]}")
    assert told.status_code == 303
    assert json.loads(newest(settled).readings) == {"about": "use", "rule": owed[0]}
    assert reports_owed(settled, unit_id) == owed[1:]
    again = web.send("/units/MILL-01", "/units/MILL-01/log", entry="reported", about=f"rule/{owed[0]}", note="again")
    assert again.status_code == 400 and "no report of this unit now" in words(again)


@pytest.mark.parametrize("about", ["rule/", "rule/no-such-rule", "rule", "weather"])
def test_a_report_for_a_rule_that_asks_for_none_is_refused(
    settled_once: Program, visitor: NewVisitor, about: str
) -> None:
    used(settled_once)
    before = count(settled_once)
    told = visitor(settled_once, "P1").send("/units/MILL-01", "/units/MILL-01/log", entry="reported", about=about)
    assert told.status_code == 400
    assert count(settled_once) == before


def test_an_answer_sent_twice_is_one_entry(settled_once: Program, visitor: NewVisitor) -> None:
    noticed(settled_once)
    web = visitor(settled_once, "P1")
    token = web.token("/units/MILL-01")
    before = count(settled_once)
    form = {"entry": "notice", "notice": "FSN 7/b", "stage": "corrected", "form_token": token}
    assert web.post("/units/MILL-01/log", form).status_code == 303
    assert web.post("/units/MILL-01/log", form).status_code == 303
    assert count(settled_once) == before + 1
