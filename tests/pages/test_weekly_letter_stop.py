"""Stopping the weekly letter: by the button, by a mail program's one click (RFC 8058), and never by opening a link."""

from __future__ import annotations

import pytest
from sqlalchemy import delete, select

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.store.tables import people, person_roles, person_sites

from .conftest import BASE, NewVisitor, words


def off(program: Program, person: str = "P3") -> bool:
    with program.store.read() as conn:
        return bool(conn.execute(select(people.c.letters_off).where(people.c.person == person)).scalar_one())


def path(program: Program, person: str = "P3") -> str:
    return links.unsubscribe_url(program.settings, person).removeprefix(BASE)


def test_opening_the_link_stops_nothing(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled)
    answer = web.get(path(settled))
    assert answer.status_code == 200 and "Weekly letter for Chloé Varnier" in words(answer)
    assert web.web.head(path(settled)).status_code == 200
    assert not off(settled)


def test_the_button_stops_it_and_another_starts_it_again(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled)
    answer = web.post(path(settled), {"letters": "off"}, headers={})
    assert answer.status_code == 200 and "Stopped." in words(answer)
    assert "Urgent letters about units that are overdue or not to be relied on come in any case." in words(answer)
    assert off(settled) and not off(settled, "P1")
    assert "It comes again." in words(web.post(path(settled), {"letters": "on"}, headers={}))
    assert not off(settled)


def test_one_click_needs_neither_cookie_nor_token_nor_origin(settled: Program, visitor: NewVisitor) -> None:
    # RFC 8058 §8.1: the body is exactly these 26 octets.
    body = b"List-Unsubscribe=One-Click"
    assert len(body) == 26
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    answer = visitor(settled).web.post(path(settled), content=body, headers=kind)
    assert answer.status_code == 200, "no redirect: RFC 8058 §3.1"
    assert off(settled)


def test_one_click_may_come_as_multipart(settled_once: Program, visitor: NewVisitor) -> None:
    # RFC 8058 §3.2: a sender SHOULD use multipart/form-data.
    web = visitor(settled_once)
    assert web.web.post(path(settled_once), files={"List-Unsubscribe": (None, "One-Click")}).status_code == 200
    assert off(settled_once)


def test_one_click_from_another_site_works_because_the_link_is_the_secret(
    settled_once: Program, visitor: NewVisitor
) -> None:
    headers = {"Origin": "https://mail.example", "Sec-Fetch-Site": "cross-site"}
    answer = visitor(settled_once).post(path(settled_once), {"List-Unsubscribe": "One-Click"}, headers)
    assert answer.status_code == 200 and off(settled_once)


@pytest.mark.parametrize("form", [{}, {"letters": "maybe"}, {"List-Unsubscribe": "Two-Clicks"}])
def test_a_post_that_does_not_say_so_stops_nothing(
    settled_once: Program, visitor: NewVisitor, form: dict[str, str]
) -> None:
    assert visitor(settled_once).post(path(settled_once), form, headers={}).status_code == 400
    assert not off(settled_once)


def test_a_forged_link_stops_nothing(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    good = path(settled_once)
    other = path(settled_once, "P1")
    forged = other.rsplit(".", 1)[0] + "." + good.rsplit(".", 1)[1]
    for link in (forged, good[:-10], "/letters/stop/P3", "/letters/stop/IlAzIg.x"):
        assert web.post(link, {"List-Unsubscribe": "One-Click"}, headers={}).status_code == 404, link
    assert not off(settled_once) and not off(settled_once, "P1")


def test_a_link_for_somebody_who_has_left_says_so(settled_once: Program, visitor: NewVisitor) -> None:
    link = path(settled_once)
    with settled_once.store.write() as conn:
        person_id = conn.execute(select(people.c.id).where(people.c.person == "P3")).scalar_one()
        conn.execute(delete(person_roles).where(person_roles.c.person_id == person_id))
        conn.execute(delete(person_sites).where(person_sites.c.person_id == person_id))
        conn.execute(delete(people).where(people.c.id == person_id))
    answer = visitor(settled_once).get(link)
    assert answer.status_code == 410 and "no longer known here" in words(answer)


def test_a_signed_in_manager_stops_and_starts_it_on_their_page(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P3")
    assert "It comes every week." in words(web.get("/me"))
    assert web.send("/me", "/me/letters", letters="off").status_code == 303
    assert off(settled)
    assert "you stopped it" in words(web.get("/me"))
    web.send("/me", "/me/letters", letters="on")
    assert not off(settled)
    assert web.send("/me", "/me/letters", letters="perhaps").status_code == 400
