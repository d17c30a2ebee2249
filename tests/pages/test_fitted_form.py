"""The form for a fitted part: the label's code, contradictions, and dates that cannot be right."""

from __future__ import annotations

from typing import Any

from httpx import Response
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.store.tables import parts, units

from .conftest import NewVisitor, Visitor, words
from .test_unit_log import count, post

GS1 = "(01)09521234543213(17)281231(10)A213B1"


def battery(program: Program) -> Any:
    with program.store.read() as conn:
        query = select(parts).join(units, units.c.id == parts.c.unit_id).where(units.c.unit == "MILL-01")
        return conn.execute(query.where(parts.c.kind == "battery", parts.c.state == "fitted")).one()


def fit(web: Visitor, **form: str) -> Response:
    answer: Response = post(web, "MILL-01", entry="fitted", kind="battery", **form)
    return answer


def test_a_code_alone_is_enough(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P2")
    answer = fit(web, udi=GS1)
    assert answer.status_code == 303
    found = battery(settled)
    assert (found.lot, str(found.last_good_day), found.read_from) == ("A213B1", "2028-12-31", "gs1")
    assert GS1 in words(web.get("/units/MILL-01"))


def test_a_contradiction_is_said_on_the_page_that_follows(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P2")
    answer = fit(web, udi=GS1, label_date="2029-06")
    text = words(web.get(answer.headers["location"].partition("#")[0]))
    assert "2029-06: the label's code says Sun 31 Dec 2028; the earlier, Sun 31 Dec 2028, counts" in text
    assert str(battery(settled_once).last_good_day) == "2028-12-31"


def test_a_code_without_a_date_does_not_stand_for_one(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P2")
    for udi in ("nothing that can be read", "(01)09521234543213(10)A213B1"):
        answer = fit(web, udi=udi)
        assert answer.status_code == 400
        assert "The scanned code gives no date" in words(answer)
    assert fit(web, udi="(01)09521234543213(10)A213B1", no_date="yes").status_code == 303
    assert battery(settled_once).last_good_day is None


def test_a_date_that_cannot_be_right_is_refused_until_somebody_says_it_is_printed_so(
    settled_once: Program, visitor: NewVisitor
) -> None:
    web = visitor(settled_once, "P2")
    before = count(settled_once)
    assert 'name="accept-odd"' not in web.get("/units/MILL-01").text
    answer = fit(web, label_date="2049-06")
    assert answer.status_code == 400
    assert "more than 10 years after today" in words(answer) and "--" not in words(answer)
    assert 'name="accept-odd"' in answer.text and 'value="2049-06"' in answer.text
    assert count(settled_once) == before
    assert fit(web, label_date="2049-06", accept_odd="yes").status_code == 303
    assert battery(settled_once).odd


def test_what_was_scanned_is_shown_as_text_and_never_as_code(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P2")
    answer = fit(web, udi="<b>x</b>", label_date="2029-06")
    page = web.get(answer.headers["location"].partition("#")[0])
    assert "<b>x" not in page.text
    assert "the label's code: the scan cannot be read" in words(page)
