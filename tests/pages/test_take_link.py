"""The link in an escalation: following it shows the case and takes nothing; the form takes it, for one person."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.store.tables import cases, people
from tests.conftest import Clock

from .conftest import BASE, NewVisitor, words
from .test_cases import case_of


def link(program: Program, case_id: int, person: str = "P4", mail: str = "dev@example.org") -> str:
    return links.take_url(program.settings, person, mail, case_id, program.clock()).removeprefix(BASE)


def test_following_the_link_takes_nothing_however_often_and_by_whomever(settled: Program, visitor: NewVisitor) -> None:
    """Mail scanners and previews follow every link (RFC 8058 asks for POST for this reason)."""
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id)
    scanner = visitor(settled)
    for _ in range(3):
        assert scanner.get(page).status_code == 200
        assert scanner.web.head(page).status_code == 200
    assert case_of(settled, "POOL-01").state == "open"
    text = words(scanner.get(page))
    assert "You are here by a link that was made for Dev Rana, for this case alone." in text
    assert "look at the unit" in text


def test_the_form_takes_it_without_a_sign_in_and_signs_nobody_in(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id)
    web = visitor(settled)
    answer = web.send(page, page, hours="4")
    assert answer.status_code == 303
    taken = case_of(settled, "POOL-01")
    assert (taken.state, taken.taken_by, taken.taken_until) == ("taken", "P4", settled.clock() + timedelta(hours=4))
    assert "Yours. It is quiet until" in words(web.get(answer.headers["location"]))
    assert web.get("/cases").headers["location"].endswith("/sign-in?next=%2Fcases")


def test_a_form_from_elsewhere_takes_nothing(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id)
    web = visitor(settled)
    assert web.post(page, {"hours": "4"}).status_code == 403
    foreign = {"Origin": "https://elsewhere.example.org", "Sec-Fetch-Site": "cross-site"}
    assert web.post(page, {"hours": "4", "form_token": web.token(page)}, foreign).status_code == 403
    assert case_of(settled, "POOL-01").state == "open"


@pytest.mark.parametrize("send", [False, True])
def test_an_expired_link_is_refused_with_a_way_forward(
    settled: Program, visitor: NewVisitor, clock: Clock, send: bool
) -> None:
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id)
    web = visitor(settled)
    token = web.token(page)
    clock.forward(days=links.TAKE_DAYS, seconds=1)
    answer = web.post(page, {"hours": "4", "form_token": token}) if send else web.get(page)
    assert answer.status_code == 410
    assert "This link is too old, so nothing was done. Sign in and open the case from the list" in words(answer)
    assert case_of(settled, "POOL-01").state == "open"


def test_a_changed_link_and_one_for_another_purpose_are_refused(settled_once: Program, visitor: NewVisitor) -> None:
    case = case_of(settled_once, "POOL-01")
    now = settled_once.clock()
    good = link(settled_once, case.id)
    sign_in = links.personal_url(settled_once.settings, "P4", "dev@example.org", now).removeprefix(BASE)
    web = visitor(settled_once)
    for wrong in (good[:-3] + "abc", good + "x", "/take/nonsense", sign_in.replace("/me/", "/take/")):
        answer = web.get(wrong)
        assert answer.status_code == 404
        assert "Copy all of it from the letter, in one line." in words(answer)
    assert web.get(good.replace("/take/", "/me/")).status_code == 404


def test_a_link_ends_with_the_address_that_it_was_sent_to(settled: Program, visitor: NewVisitor) -> None:
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id)
    with settled.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "P4").values(email="other@example.org"))
    answer = visitor(settled).get(page)
    assert answer.status_code == 410
    assert "no longer known here under that e-mail address" in words(answer)


def test_whoever_a_ladder_names_may_take_a_case_outside_their_sites_by_link_only(
    settled: Program, visitor: NewVisitor
) -> None:
    case = case_of(settled, "POOL-01")
    page = link(settled, case.id, "P2", "ben@example.org")
    web = visitor(settled)
    assert web.send(page, page, hours="4").status_code == 303
    assert case_of(settled, "POOL-01").taken_by == "P2"
    assert visitor(settled, "P2").get(f"/cases/{case.id}").status_code == 404


def test_one_link_takes_everything_urgent_about_a_unit_once_it_is_sent_and_not_when_it_is_shown(
    settled: Program, visitor: NewVisitor
) -> None:
    case = case_of(settled, "POOL-01")
    with settled.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == case.id).values(severity="urgent", kind="fault"))
        row = {**case._asdict(), "severity": "urgent", "kind": "used", "cause": "u/used"}
        row.pop("id")
        other = conn.execute(insert(cases).values(**row).returning(cases.c.id)).scalar_one()
        soon = conn.execute(
            insert(cases).values(**{**row, "severity": "soon", "cause": "u/soon"}).returning(cases.c.id)
        ).scalar_one()
    url = links.take_url(settled.settings, "P4", "dev@example.org", case.id, settled.clock(), unit=True)
    page = url.removeprefix(BASE)
    web = visitor(settled)
    text = words(web.get(page))
    assert "for everything urgent about this unit: 2 cases. Whoever takes it takes all of them." in text
    assert f"Case {other}:" in text and f"Case {soon}:" not in text
    assert _states(settled, case.id, other, soon) == ["open", "open", "open"]
    answer = web.send(page, page, hours="4")
    assert answer.status_code == 303
    assert _states(settled, case.id, other, soon) == ["taken", "taken", "open"]
    with settled.store.write() as conn:
        conn.execute(update(cases).where(cases.c.id == case.id).values(state="closed", closed_at=settled.clock()))
    # Where the first is closed by then, the link is for what is left.
    assert "Yours. It is quiet until" in words(web.get(answer.headers["location"]))
    assert web.send(page, page, hours="24").status_code == 303


def _states(program: Program, *case_ids: int) -> list[str]:
    query = select(cases.c.state).where(cases.c.id.in_(case_ids)).order_by(cases.c.id)
    with program.store.read() as conn:
        return list(conn.execute(query).scalars())
