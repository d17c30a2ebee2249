"""A person sees their sites and nothing else; what they may not see looks like what does not exist."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from nightround.bootstrap import Program
from nightround.store.tables import cases, log, units

from .conftest import NewVisitor, words

# Person → what they see, and what they must never learn of.
SEES = {
    "P1": ({"MILL-01", "POOL-01", "VAU 1/b"}, set()),
    "P2": ({"MILL-01", "MILL-02"}, {"POOL", "VAU", "Harbour", "Salle"}),
    "P3": ({"VAU 1/b"}, {"MILL", "POOL", "Mill Lane", "Harbour"}),
    "P4": ({"MILL-02", "POOL-02"}, {"VAU", "Salle"}),
    "P6": (set(), {"MILL", "POOL", "VAU", "Mill Lane", "Harbour", "Salle"}),
}
LISTS = ("/", "/duties", "/units", "/sites", "/cases", "/me", "/units?find=o", "/duties?standing=overdue")


@pytest.mark.parametrize("person", sorted(SEES))
def test_lists_hold_a_person_s_own_sites_alone(settled: Program, visitor: NewVisitor, person: str) -> None:
    web = visitor(settled, person)
    seen = {path: words(web.get(path)) for path in LISTS}
    mine, others = SEES[person]
    assert all(code in seen["/units"] for code in mine)
    for path, text in seen.items():
        assert not [word for word in others if word in text], path


def everything_of(program: Program, site: str) -> list[str]:
    with program.store.read() as conn:
        codes = list(conn.execute(select(units.c.unit).where(units.c.unit.like(f"{site}%"))).scalars())
        found = conn.execute(
            select(cases.c.id).join(units, units.c.id == cases.c.unit_id).where(units.c.unit.like(f"{site}%"))
        )
        return [f"/sites/{site}", *(f"/units/{code}" for code in codes), *(f"/cases/{one}" for one in found.scalars())]


def test_pages_of_other_sites_are_not_there(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P2")
    theirs = everything_of(settled, "POOL")
    assert len(theirs) >= 5, "units, the site and cases"
    for path in theirs:
        answer = web.get(path)
        assert answer.status_code == 404, path
        assert words(answer) == words(web.get("/units/NO-SUCH")), "no difference to what does not exist"
    assert all(web.get(path).status_code == 200 for path in everything_of(settled, "MILL"))


def test_forms_for_other_sites_do_nothing(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P2")
    token = web.token("/units/MILL-01")
    with settled.store.read() as conn:
        before = conn.execute(select(func.count()).select_from(log)).scalar_one()
        case = conn.execute(
            select(cases.c.id).join(units, units.c.id == cases.c.unit_id).where(units.c.unit == "POOL-02")
        ).scalar_one()
    check = {"entry": "check", "self-test": "ok", "form_token": token}
    assert web.post("/units/POOL-02/log", check).status_code == 404
    assert web.post(f"/cases/{case}", {"hours": "24", "form_token": token}).status_code == 404
    with settled.store.read() as conn:
        assert conn.execute(select(func.count()).select_from(log)).scalar_one() == before
        assert conn.execute(select(cases.c.state).where(cases.c.id == case)).scalar_one() == "open"


def test_an_entry_of_another_unit_cannot_be_struck_from_here(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P4")
    with settled_once.store.read() as conn:
        other = conn.execute(
            select(log.c.id).join(units, units.c.id == log.c.unit_id).where(units.c.unit == "VAU 1/b")
        ).scalar_one()
    form = {"entry": "struck", "strikes": str(other), "note": "no", "form_token": web.token("/units/MILL-01")}
    assert web.post("/units/MILL-01/log", form).status_code == 404


def test_for_a_unit_of_another_site_a_person_is_a_stranger(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P2")
    page = web.get("/at/label00000000000000006")  # POOL-02
    assert page.status_code == 200 and "Record a check" not in words(page)
    refused = web.send("/at/label00000000000000006", "/at/label00000000000000006", entry="check", self_test="ok")
    assert refused.status_code == 403
    assert web.send("/at/label00000000000000006", "/at/label00000000000000006", problem="damaged").status_code == 303
    with settled_once.store.read() as conn:
        newest = conn.execute(select(log.c.by_person, log.c.entry).order_by(log.c.id.desc()).limit(1)).one()
    assert newest == ("", "fault")


@pytest.mark.parametrize("path", [*LISTS, "/units/MILL-01", "/sites/MILL", "/cases/1"])
def test_strangers_are_led_to_the_sign_in_page(settled_once: Program, visitor: NewVisitor, path: str) -> None:
    answer = visitor(settled_once).get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")
    assert "MILL" not in answer.text
