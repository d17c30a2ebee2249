"""Who is on call stands on the first page and with the cases; one says oneself when one is away."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.register.days_off import add_absence, add_closure
from nightround.store.tables import absences, people, rota
from tests.conftest import START

from .conftest import NewVisitor, words


def _shift(program: Program, person: str, start: datetime, days: int) -> None:
    with program.store.write() as conn:
        person_id = conn.execute(select(people.c.id).where(people.c.person == person)).scalar_one()
        conn.execute(insert(rota).values(person_id=person_id, from_at=start, until_at=start + timedelta(days=days)))


def _away(program: Program) -> list[tuple[str, date, date]]:
    with program.store.read() as conn:
        query = select(people.c.person, absences.c.from_on, absences.c.until_on).join(
            people, people.c.id == absences.c.person_id
        )
        return [(row[0], row[1], row[2]) for row in conn.execute(query.order_by(absences.c.id))]


def test_the_first_page_and_the_cases_say_who_is_on_call_and_where_nobody_is(
    settled: Program, visitor: NewVisitor
) -> None:
    web = visitor(settled, "P1")
    for path in ("/", "/cases"):
        assert "No rota is kept: everybody with the role on-call is asked." in words(web.get(path))
    _shift(settled, "P4", settled.clock(), 5)  # London and its pool; nobody for the hall in Paris, which has no rota
    for path in ("/", "/cases"):
        said = words(web.get(path))
        assert "On call now: Dev Rana (P4) until Mon 30 Nov 2026, 09:00, then nobody." in said
        assert "Nobody is on call from Mon 30 Nov 2026, 09:00 to at least" in said
        assert "for Harbour Pool, Mill Lane School." in said


def test_who_sees_other_sites_sees_the_rota_of_those(settled_once: Program, visitor: NewVisitor) -> None:
    _shift(settled_once, "P4", settled_once.clock(), 5)
    said = words(visitor(settled_once, "P3").get("/"))  # Paris
    assert "On call now: nobody." in said
    assert "Dev Rana" not in said


def test_one_says_oneself_when_one_is_away_and_takes_it_out_again(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P4")
    assert "None ahead." in words(web.get("/me"))
    web.send("/me", "/me/away", **{"from": "2026-12-01", "until": "2026-12-04"})
    assert _away(settled) == [("P4", date(2026, 12, 1), date(2026, 12, 4))]
    page = web.get("/me")
    assert "Tue 1 Dec 2026 to Fri 4 Dec 2026" in words(page)
    web.send("/me", "/me/away", remove="1")
    assert _away(settled) == []


def test_nobody_takes_out_the_days_of_another(settled_once: Program, visitor: NewVisitor) -> None:
    with settled_once.store.write() as conn:
        number = add_absence(conn, "P1", date(2026, 12, 1), date(2026, 12, 4))
    answer = visitor(settled_once, "P4").send("/me", "/me/away", remove=str(number))
    assert answer.status_code == 400
    assert len(_away(settled_once)) == 1


def test_days_that_cannot_be_are_refused_with_a_sentence(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P4")
    for first, last, why in (
        ("2026-12-04", "2026-12-01", "lies before the first"),
        ("", "2026-12-01", "The first day away cannot be read"),
        ("2026-12-01", "soon", "The last day away 'soon' cannot be read"),
    ):
        answer = web.send("/me", "/me/away", **{"from": first, "until": last})
        assert answer.status_code == 400 and why in words(answer)
    assert _away(settled_once) == []


def test_a_site_says_that_and_until_when_it_is_closed(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    assert "Closed" not in words(web.get("/sites/MILL"))
    with settled_once.store.write() as conn:
        add_closure(conn, "MILL", date(2026, 11, 20), date(2026, 11, 27), now=START, reason="half term <b>")
        add_closure(
            conn, "MILL", date(2026, 12, 21), date(2027, 1, 3), now=START, every_year=True, reason="winter break"
        )
    said = words(web.get("/sites/MILL"))
    assert "Closed to Fri 27 Nov 2026: half term <b>. What is owed stays owed." in said
    assert "Closed every year, first Mon 21 Dec 2026 to Sun 3 Jan 2027: winter break." in said
