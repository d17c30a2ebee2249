"""The log forms of a unit's page: what each role may record, what comes of it at once, and what is refused."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import func, select

from nightround.bootstrap import Program
from nightround.pages.forms import clean
from nightround.register.log import verify_chain
from nightround.store.tables import conditions, duties, log, parts, sites, units
from tests.conftest import Clock

from .conftest import NewVisitor, Visitor, words

GOOD = {"entry": "check", "self-test": "ok", "pads": "ok", "battery": "ok", "scope": "look"}


def post(web: Visitor, unit: str, **form: str) -> Any:
    named = {name.replace("_", "-") if name != "label_date" else name: text for name, text in form.items()}
    return web.post(f"/units/{unit}/log", {**named, "form_token": web.token(f"/units/{unit}")})


def newest(program: Program) -> Any:
    with program.store.read() as conn:
        return conn.execute(select(log).order_by(log.c.id.desc()).limit(1)).one()


def count(program: Program) -> int:
    with program.store.read() as conn:
        return conn.execute(select(func.count()).select_from(log)).scalar_one()


def condition(program: Program, unit: str) -> str:
    with program.store.read() as conn:
        query = select(conditions.c.condition).join(units, units.c.id == conditions.c.unit_id)
        return str(conn.execute(query.where(units.c.unit == unit)).scalar_one())


def test_a_check_is_recorded_and_the_unit_reckoned_at_once(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    assert condition(settled, "POOL-02") == "not to be relied on"
    answer = post(web, "POOL-02", **GOOD, note="light is steady")
    assert answer.status_code == 303
    entry = newest(settled)
    assert (entry.entry, entry.by_person, entry.note) == ("check", "P1", "light is steady")
    assert json.loads(entry.readings) == {"self-test": "ok", "pads": "ok", "battery": "ok", "scope": "look"}
    page = web.get(answer.headers["location"].partition("#")[0])
    assert "Recorded: checked, Wed 25 Nov 2026, 09:00, by Ada Ferrow" in words(page)
    assert condition(settled, "POOL-02") == "work due", "its battery is still to be ordered"
    with settled.store.read() as conn:
        look = conn.execute(
            select(duties.c.last_good_day).where(duties.c.unit_id == entry.unit_id, duties.c.kind == "look")
        ).scalar_one()
        assert str(look) == "2026-12-25", "a month after the check (the house default pack)"
        assert verify_chain(conn) is None


def test_bars_are_kept_as_they_were_read(settled_once: Program, visitor: NewVisitor) -> None:
    post(visitor(settled_once, "P1"), "MILL-01", entry="check", battery_bars="1", battery_full="4")
    assert json.loads(newest(settled_once).readings) == {"battery": "1/4", "scope": "look"}


def test_new_pads_take_the_place_of_the_old_ones(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P2")
    assert condition(settled, "MILL-02") == "not to be relied on"
    post(web, "MILL-02", entry="fitted", kind="pads-adult", label_date="2029-02", lot="N77")
    assert condition(settled, "MILL-02") != "not to be relied on"
    with settled.store.read() as conn:
        query = select(parts.c.state, parts.c.label_date, parts.c.last_good_day, parts.c.lot).order_by(parts.c.id)
        found = conn.execute(query.where(parts.c.unit_id == newest(settled).unit_id, parts.c.kind == "pads-adult"))
        old, new = found.all()
    assert old.state == "removed"
    assert (new.state, new.label_date, str(new.last_good_day), new.lot) == ("fitted", "2029-02", "2029-02-28", "N77")
    text = words(web.get("/units/MILL-02"))
    assert "2029-02 Wed 28 Feb 2029" in text, "as typed, and its last good day"


def test_a_part_without_a_printed_date_is_not_recorded_and_never_fine(
    settled_once: Program, visitor: NewVisitor
) -> None:
    web = visitor(settled_once, "P1")
    assert post(web, "MILL-01", entry="fitted", kind="battery").status_code == 400
    assert post(web, "MILL-01", entry="fitted", kind="battery", no_date="yes").status_code == 303
    assert condition(settled_once, "MILL-01") == "no evidence"


def test_a_use_makes_the_unit_unreliable_until_it_is_restored(
    settled_once: Program, visitor: NewVisitor, clock: Clock
) -> None:
    web = visitor(settled_once, "P5")
    post(web, "POOL-01", entry="used", shocks="2", cpr_minutes="11")
    assert json.loads(newest(settled_once).readings) == {"shocks": "2", "cpr-minutes": "11"}
    assert condition(settled_once, "POOL-01") == "not to be relied on"
    coordinator = visitor(settled_once, "P1")
    clock.forward(minutes=30)
    post(coordinator, "POOL-01", entry="fitted", kind="pads-adult", label_date="2029-05-31")
    assert condition(settled_once, "POOL-01") == "not to be relied on", "new pads alone do not restore it"
    clock.forward(minutes=5)
    post(coordinator, "POOL-01", **GOOD)
    assert condition(settled_once, "POOL-01") == "work due", "restored; the record and the crew note are still owed"
    post(coordinator, "POOL-01", entry="downloaded")
    post(coordinator, "POOL-01", entry="reported", about="crew")
    assert condition(settled_once, "POOL-01") == "in service"


def test_the_mode_of_a_use_is_kept_and_must_be_one_of_its_words(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P5")
    assert "adult or child" in words(post(web, "POOL-01", entry="used", mode="senior"))
    post(web, "POOL-01", entry="used", mode="child")
    assert json.loads(newest(settled_once).readings) == {"mode": "child"}


def test_an_order_on_its_way_ends_order_now(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    assert "order now battery" in words(web.get("/units/POOL-02"))
    post(web, "POOL-02", entry="ordered", kind="battery", expected="2026-12-10")
    assert "order now battery" not in words(web.get("/units/POOL-02"))


def test_withdrawing_needs_a_reason(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P4")
    assert "say why it is withdrawn" in words(post(web, "MILL-01", entry="withdrawn"))
    assert post(web, "MILL-01", entry="withdrawn", note="loose lid").status_code == 303
    assert condition(settled_once, "MILL-01") == "withdrawn"
    post(web, "MILL-01", entry="returned")
    assert condition(settled_once, "MILL-01") == "in service"


@pytest.mark.parametrize(
    ("person", "unit", "may", "may_not"),
    [
        (
            "P5",
            "POOL-01",
            ("check", "fault", "used"),
            ("fitted", "ordered", "removed", "withdrawn", "reported", "struck"),
        ),
        (
            "P2",
            "MILL-01",
            ("check", "fitted", "ordered", "removed"),
            ("withdrawn", "returned", "moved", "reported", "struck"),
        ),
        ("P4", "POOL-01", ("check", "withdrawn", "reported", "downloaded", "moved"), ()),
    ],
)
def test_each_role_records_what_is_theirs(
    settled_once: Program, visitor: NewVisitor, person: str, unit: str, may: tuple[str, ...], may_not: tuple[str, ...]
) -> None:
    web = visitor(settled_once, person)
    full = {
        **GOOD, "note": "n", "problem": "damaged", "kind": "battery", "label_date": "2029-01-31",
        "expected": "2027-01-15", "about": "check", "strikes": "1",
    }  # fmt: skip
    page = web.get(f"/units/{unit}").text
    for entry in may:
        assert f'name="entry" value="{entry}"' in page
        assert post(web, unit, **{**full, "entry": entry}).status_code == 303, entry
    before = count(settled_once)
    for entry in (*may_not, "", "struck out", "CHECK"):
        assert f'name="entry" value="{entry}"' not in page
        assert post(web, unit, **{**full, "entry": entry}).status_code in (400, 403), entry
    assert count(settled_once) == before


WRONG: list[tuple[dict[str, str], str]] = [
    ({"entry": "check"}, "A check needs at least one reading"),
    ({"entry": "check", "scope": "look"}, "A check needs at least one reading"),
    ({"entry": "check", "self-test": "perfect"}, "The reading self-test cannot be 'perfect'"),
    ({"entry": "check", "battery": "lots"}, "The battery cannot be 'lots'"),
    ({"entry": "check", "battery-bars": "5", "battery-full": "4"}, "cannot show 5 bars of 4"),
    ({"entry": "check", "battery-bars": "2"}, "two numbers"),
    ({"entry": "check", "battery-bars": "٢", "battery-full": "٤"}, "two numbers"),
    ({"entry": "check", "battery-bars": "2", "battery-full": "4", "battery": "ok"}, "as a word or as bars, not both"),
    ({"entry": "check", "self-test": "ok", "scope": "glance"}, "A check is one of look, test, inspection"),
    ({"entry": "fitted", "kind": "battery", "label_date": "30/04/2029"}, "write it as 2029-04-30, or 2029-04"),
    ({"entry": "fitted", "kind": "battery", "label_date": "2029-02-30"}, "cannot be read"),
    ({"entry": "fitted", "kind": "hat", "label_date": "2029-02-28"}, "Choose which part it is"),
    ({"entry": "ordered", "kind": "battery"}, "must be given as a date"),
    ({"entry": "used", "shocks": "-1"}, "must be a number from 0 to 999"),
    ({"entry": "used", "shocks": "two"}, "must be a number from 0 to 999"),
    ({"entry": "reported", "about": "weather"}, "Choose what was reported"),
    ({"entry": "moved"}, "say where it stands now"),
    ({"entry": "fault"}, "Choose what is wrong with it"),
    ({"entry": "fault", "problem": "other"}, "Say in a few words"),
    ({**GOOD, "note": "x" * 501}, "501 characters; 500 are the most"),
    ({**GOOD, "at": "2026-11-25T09:06"}, "lies in the future"),
    ({**GOOD, "at": "yesterday"}, "write it as 2026-11-25T14:30"),
    ({**GOOD, "at": "2026-11-25T08:00+05:00"}, "without a zone"),
    # Clocks in the United Kingdom go from 01:00 to 02:00 on 29 March 2026 (last Sunday of March, tzdata).
    ({**GOOD, "at": "2026-03-29T01:30"}, "skipped 2026-03-29T01:30"),
    ({"entry": "struck", "strikes": "1"}, "A correction needs a reason"),
]


@pytest.mark.parametrize(("form", "said"), WRONG, ids=[said[:30] for _, said in WRONG])
def test_what_cannot_be_kept_is_refused_in_a_sentence(
    settled_once: Program, visitor: NewVisitor, form: dict[str, str], said: str
) -> None:
    web = visitor(settled_once, "P1")
    before = count(settled_once)
    answer = web.post("/units/MILL-01/log", {**form, "form_token": web.token("/units/MILL-01")})
    assert answer.status_code == 400
    assert said in words(answer) and "Nothing was recorded" in words(answer)
    assert count(settled_once) == before


def test_what_was_typed_is_still_there_after_a_refusal(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    page = post(
        web, "MILL-01", entry="fitted", kind="battery", label_date="April", lot="Q<1>", note="from the store"
    ).text
    assert 'value="April"' in page and 'value="Q&lt;1&gt;"' in page and ">from the store</textarea>" in page
    assert '<option value="battery" selected>' in page
    assert '<details name="record" open>' in page


@pytest.mark.parametrize(
    ("typed", "unit", "utc"),
    [
        ("2026-11-24T18:30", "MILL-01", datetime(2026, 11, 24, 18, 30, tzinfo=UTC)),
        ("2026-07-01T18:30", "MILL-01", datetime(2026, 7, 1, 17, 30, tzinfo=UTC)),
        ("2026-11-24T18:30", "VAU%201%2Fb", datetime(2026, 11, 24, 17, 30, tzinfo=UTC)),
        # 02:30 happens twice on 25 October 2026 in Paris (tzdata): the first is in summer time.
        ("2026-10-25T02:30", "VAU%201%2Fb", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_time_is_taken_by_the_clock_at_the_site(
    settled_once: Program, visitor: NewVisitor, typed: str, unit: str, utc: datetime
) -> None:
    assert post(visitor(settled_once, "P1"), unit, **GOOD, at=typed).status_code == 303
    assert newest(settled_once).at == utc


def test_a_check_written_down_later_shows_both_times(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    post(web, "MILL-01", **GOOD, at="2026-11-23T10:15")
    assert "Mon 23 Nov 2026, 10:15" in words(web.get("/units/MILL-01"))
    assert "written Wed 25 Nov 2026, 09:00" in words(web.get("/units/MILL-01"))


def test_a_button_pressed_twice_is_one_entry(settled: Program, visitor: NewVisitor, clock: Clock) -> None:
    web = visitor(settled, "P1")
    before = count(settled)
    first = post(web, "MILL-01", **GOOD)
    clock.forward(seconds=20)
    second = post(web, "MILL-01", **GOOD)
    assert first.headers["location"] == second.headers["location"]
    assert count(settled) == before + 1
    clock.forward(hours=2)
    post(web, "MILL-01", **GOOD)
    assert count(settled) == before + 2


def test_a_correction_strikes_an_entry_and_keeps_it_readable(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    with settled.store.read() as conn:
        fault = conn.execute(select(log.c.id).where(log.c.entry == "fault")).scalar_one()
    answer = post(web, "POOL-02", entry="struck", strikes=str(fault), note="it was the alarm next to it")
    assert answer.status_code == 303
    assert condition(settled, "POOL-02") == "work due"
    page = web.get("/units/POOL-02")
    assert "<s><strong>problem reported</strong>" in page.text
    assert "Corrected by Ada Ferrow: it was the alarm next to it. It no longer counts." in words(page)
    again = post(web, "POOL-02", entry="struck", strikes=str(fault), note="another reason")
    assert again.status_code == 400 and "struck already" in words(again)


def test_a_broken_rule_pack_keeps_the_entry_and_says_that_dates_are_old(
    settled_once: Program, visitor: NewVisitor
) -> None:
    web = visitor(settled_once, "P1")
    folder = settled_once.settings.folder / "packs"
    folder.mkdir()
    (folder / "mine.toml").write_text("[pack\n", "utf-8")
    settled_once.settings.rules.folder = folder
    before = count(settled_once)
    answer = post(web, "MILL-01", **GOOD)
    assert answer.status_code == 303 and count(settled_once) == before + 1
    text = words(web.get(answer.headers["location"].partition("#")[0]))
    assert "Recorded:" in text and "could not be reckoned anew yet" in text


def test_duties_show_their_rule_force_source_and_day(settled: Program, visitor: NewVisitor) -> None:
    text = words(visitor(settled, "P1").get("/units/MILL-01"))
    assert "look at the unit, by Sat 19 Dec 2026" in text
    assert "Someone looks at each unit once a month: last done Thu 19 Nov 2026" in text
    assert "common practice, common practice, no published source, read Wed 25 Nov 2026" in text
    assert "this alone gives" in text, "two rules bind the look; each says what it alone would give"
    assert "no legal advice" in text


def test_the_log_is_shown_a_page_at_a_time(settled_once: Program, visitor: NewVisitor, clock: Clock) -> None:
    web = visitor(settled_once, "P1")
    for number in range(34):
        clock.forward(hours=3)
        post(web, "MILL-01", **GOOD, note=f"round {number}")
    first, older = words(web.get("/units/MILL-01")), words(web.get("/units/MILL-01?skip=30"))
    assert "round 33" in first and "round 4 " in first + " " and "round 3 " not in first
    assert "round 3" in older and "all in place" in older and "31 to 35 of 35" in older


@pytest.mark.parametrize(
    "query",
    ["?skip=-1", "?skip=x", "?skip=99999999999999999999", "?done=99999999999999999999", "?done=x", "?skip=5000"],
)
def test_odd_queries_are_taken_as_none(settled_once: Program, visitor: NewVisitor, query: str) -> None:
    assert visitor(settled_once, "P1").get("/units/MILL-01" + query).status_code == 200


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("  two\r\n lines\t ", "two lines"),
        ("a\x00b\x1b[31mc", "a b [31mc"),
        ("evil\u202egnp.exe", "evilgnp.exe"),
        ("a\u2028b\u2066c\u2069", "a bc"),
        ("e\u0301", "é"),
        ("مرحبا 🙂 𝔘", "مرحبا 🙂 𝔘"),
        ("\x7f\x85", ""),
    ],
)
def test_notes_are_one_line_without_control_characters(typed: str, kept: str) -> None:
    assert clean(typed) == kept


def _stands(program: Program, unit: str) -> tuple[str, str]:
    with program.store.read() as conn:
        query = select(sites.c.site, units.c.spot).join(sites, sites.c.id == units.c.site_id)
        site, spot = conn.execute(query.where(units.c.unit == unit)).one()
    return site, spot


def test_a_move_by_the_page_changes_site_and_spot_once(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    answer = post(web, "POOL-01", entry="moved", site="MILL", spot="by the stairs")
    assert answer.status_code == 303
    assert _stands(settled, "POOL-01") == ("MILL", "by the stairs")
    page = words(web.get("/units/POOL-01"))
    assert "tell local responders where the unit stands" in page
    before = count(settled)
    assert post(web, "POOL-01", entry="moved", site="MILL", spot="by the stairs").status_code == 303
    assert count(settled) == before, "a button pressed twice is one entry"
    assert post(web, "POOL-01", entry="reported", about="responders").status_code == 303
    assert "tell local responders" not in words(web.get("/units/POOL-01"))


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"site": "ELSEWHERE"}, "Choose the site from the list"),
        ({"covers": "ELSEWHERE-01"}, "No unit of your sites has the code"),
        ({"spot": "x" * 201}, "200 are the most"),
    ],
)
def test_a_move_that_cannot_be_is_refused_by_the_page(
    settled: Program, visitor: NewVisitor, form: dict[str, str], said: str
) -> None:
    web = visitor(settled, "P1")
    before, stood = count(settled), _stands(settled, "POOL-01")
    answer = post(web, "POOL-01", entry="moved", **form)
    assert answer.status_code == 400 and said in words(answer)
    assert (count(settled), _stands(settled, "POOL-01")) == (before, stood)


def test_a_loan_unit_is_put_in_the_place_of_another_by_the_page(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    post(web, "POOL-01", entry="withdrawn", note="for repair")
    assert post(web, "MILL-01", entry="moved", covers="POOL-01").status_code == 303
    assert _stands(settled, "MILL-01")[0] == "POOL"
    assert "MILL-01" in words(web.get("/units/POOL-01"))
