"""Cases: opening one takes nothing; the button says who has it and until when, and the matter is quiet until then."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, update

from nightround.bootstrap import Program
from nightround.letters.delivery import deliver
from nightround.letters.telling import tell
from nightround.store.tables import cases, units
from tests.conftest import Clock
from tests.letters.post.build import office
from tests.letters.post.faulty import Fault, Faulty

from .conftest import NewVisitor, words


def case_of(program: Program, unit: str) -> Any:
    with program.store.read() as conn:
        query = select(cases).join(units, units.c.id == cases.c.unit_id).where(units.c.unit == unit)
        return conn.execute(query).one()


def test_a_case_says_what_is_the_matter_and_since_when(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "POOL-01")
    text = words(visitor(settled, "P4").get(f"/cases/{case.id}"))
    assert f"Case {case.id}: overdue" in text
    assert "look at the unit: last done Sun 11 Oct 2026; last good day Wed 11 Nov 2026" in text
    assert "Someone looks at each unit once a month, common practice" in text
    assert "it was so already when the unit came into the register" in text
    assert "Nobody has it." in text and "Nobody was told by mail yet." in text


def test_taking_a_case_says_who_has_it_until_when(settled: Program, visitor: NewVisitor, clock: Clock) -> None:
    case = case_of(settled, "POOL-01")
    web = visitor(settled, "P4")
    page = f"/cases/{case.id}"
    web.get(page)
    assert case_of(settled, "POOL-01").state == "open"
    answer = web.send(page, page, hours="4")
    assert answer.status_code == 303
    taken = case_of(settled, "POOL-01")
    assert (taken.state, taken.taken_by, taken.taken_until) == ("taken", "P4", settled.clock() + timedelta(hours=4))
    assert "Yours. It is quiet until Wed 25 Nov 2026, 13:00." in words(web.get(answer.headers["location"]))
    other = visitor(settled, "P1")
    assert "Dev Rana has it until Wed 25 Nov 2026, 13:00" in words(other.get("/"))
    assert "I take it over" in words(other.get(page))
    assert "Dev Rana has it until" in words(other.get("/cases"))
    clock.forward(hours=4)
    assert "Nobody has it now. Dev Rana had it until Wed 25 Nov 2026, 13:00." in words(other.get(page))
    assert "Dev Rana has it" not in words(other.get("/cases"))


def test_until_is_read_by_the_clock_at_the_site(settled_once: Program, visitor: NewVisitor) -> None:
    case = case_of(settled_once, "MILL-02")
    web = visitor(settled_once, "P1")
    web.send(f"/cases/{case.id}", f"/cases/{case.id}", hours="until", until="2026-11-27T17:30")
    assert case_of(settled_once, "MILL-02").taken_until.isoformat() == "2026-11-27T17:30:00+00:00"


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({}, "Choose until when you have it"),
        ({"hours": "9999"}, "Choose until when you have it"),
        ({"hours": "until"}, "cannot be read"),
        ({"hours": "until", "until": "soon"}, "cannot be read"),
        ({"hours": "until", "until": "2026-11-25T08:59"}, "must lie ahead"),
        ({"hours": "until", "until": "2026-12-27T09:00"}, "31 days at most"),
    ],
)
def test_a_case_is_not_silenced_by_accident_or_for_ever(
    settled_once: Program, visitor: NewVisitor, form: dict[str, str], said: str
) -> None:
    case = case_of(settled_once, "MILL-02")
    answer = visitor(settled_once, "P1").send(f"/cases/{case.id}", f"/cases/{case.id}", **form)
    assert answer.status_code == 400 and said in words(answer) and "Nothing was changed" in words(answer)
    assert case_of(settled_once, "MILL-02").state == "open"


def test_a_closed_case_cannot_be_taken(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "MILL-02")
    web = visitor(settled, "P1")
    token = web.token(f"/cases/{case.id}")
    with settled.store.write() as conn:
        closed = {"state": "closed", "closed_at": settled.clock()}
        conn.execute(update(cases).where(cases.c.id == case.id).values(**closed))
    answer = web.post(f"/cases/{case.id}", {"hours": "24", "form_token": token})
    assert answer.status_code == 409 and "closed already" in words(answer)
    assert case_of(settled, "MILL-02").state == "closed"
    assert "Its cause was gone on Wed 25 Nov 2026, 09:00" in words(web.get(f"/cases/{case.id}"))
    assert f"/cases/{case.id}" not in web.get("/cases").text


def test_cases_that_nobody_has_come_first(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    first = case_of(settled, "MILL-02").id
    web.send(f"/cases/{first}", f"/cases/{first}", hours="24")
    text = words(web.get("/cases"))
    assert text.index("POOL-01") < text.index("MILL-02")
    assert "nobody has 2 of them" in text


@pytest.mark.parametrize("number", ["0", "999", "x", "-1", "1e3", "99999999999999999999"])
def test_a_case_that_does_not_exist_is_not_there(settled_once: Program, visitor: NewVisitor, number: str) -> None:
    web = visitor(settled_once, "P1")
    assert web.get(f"/cases/{number}").status_code == 404
    form = {"hours": "24", "form_token": web.token("/me")}
    assert web.post(f"/cases/{number}", form).status_code == 404


def test_whom_no_letter_has_reached_is_not_said_to_have_been_told(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "MILL-02")
    refused = Fault("RCPT", b"550 5.1.1 nobody here")
    with Faulty(lambda _to, stage: refused if stage == "RCPT" else None) as server:
        here = office(settled, server.port)
        assert tell(here, here.clock()).letters
        assert deliver(here).given_up
    text = words(visitor(settled, "P1").get(f"/cases/{case.id}"))
    told = text.partition("Told so far: ")[2].partition(".")[0].split(", ")
    assert told
    assert all(name.endswith(" (could not be reached)") for name in told), told
