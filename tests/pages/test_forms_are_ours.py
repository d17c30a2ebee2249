"""Only a form from a page of ours, in the same session or browser, does anything."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from nightround.bootstrap import Program
from nightround.store.tables import log

from .conftest import BASE, NewVisitor, Visitor, words

CHECK = {"entry": "check", "self-test": "ok", "scope": "look"}
PAGE, PATH = "/units/MILL-01", "/units/MILL-01/log"


def entries(program: Program) -> int:
    with program.store.read() as conn:
        return conn.execute(select(func.count()).select_from(log)).scalar_one()


@pytest.fixture
def web(settled_once: Program, visitor: NewVisitor) -> Visitor:
    return visitor(settled_once, "P1")


def refused(web: Visitor, form: dict[str, str], headers: dict[str, str] | None = None) -> None:
    before = entries(web.program)
    answer = web.post(PATH, {**CHECK, **form}, headers)
    assert answer.status_code == 403, answer.text
    assert "nothing was done" in words(answer) or "nothing was recorded" in words(answer)
    assert entries(web.program) == before


def test_the_page_s_own_form_is_taken(web: Visitor) -> None:
    before = entries(web.program)
    assert web.post(PATH, {**CHECK, "form_token": web.token(PAGE)}).status_code == 303
    assert entries(web.program) == before + 1


def test_a_browser_that_says_nothing_is_judged_by_the_token_alone(web: Visitor) -> None:
    assert web.post(PATH, {**CHECK, "form_token": web.token(PAGE)}, headers={}).status_code == 303
    refused(web, {"form_token": "x"}, headers={})


@pytest.mark.parametrize("token", ["", "x", "é", "0" * 64])
def test_without_its_token_a_form_does_nothing(web: Visitor, token: str) -> None:
    refused(web, {"form_token": token})


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": BASE, "Sec-Fetch-Site": "cross-site"},
        {"Origin": BASE, "Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": "https://evil.example", "Sec-Fetch-Site": "same-origin"},
        {"Origin": "127.0.0.1:8470"},
    ],
)
def test_a_form_from_another_site_does_nothing_even_with_a_good_token(web: Visitor, headers: dict[str, str]) -> None:
    refused(web, {"form_token": web.token(PAGE)}, headers)


def test_another_person_s_token_is_worth_nothing(web: Visitor, visitor: NewVisitor) -> None:
    other = visitor(web.program, "P4")
    refused(web, {"form_token": other.token(PAGE)})


def test_a_stranger_s_token_is_worth_nothing_in_a_session(web: Visitor, visitor: NewVisitor) -> None:
    refused(web, {"form_token": visitor(web.program).token("/sign-in")})


def test_a_token_from_before_signing_in_again_is_worth_nothing(web: Visitor) -> None:
    token = web.token(PAGE)
    web.sign_in("P1")
    refused(web, {"form_token": token})


def test_a_stranger_s_form_needs_the_cookie_that_came_with_it(settled_once: Program, visitor: NewVisitor) -> None:
    one, other = visitor(settled_once), visitor(settled_once)
    label = "/at/label00000000000000001"
    token = one.token(label)
    form = {"problem": "light", "form_token": token}
    before = entries(settled_once)
    assert other.post(label, form).status_code == 403, "no cookie"
    other.get(label)
    assert other.post(label, form).status_code == 403, "another cookie"
    assert entries(settled_once) == before
    assert one.post(label, form).status_code == 303


def test_signed_out_people_record_nothing_and_are_told_the_way(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    before = entries(settled_once)
    answer = web.post(PATH, {**CHECK, "form_token": web.token("/sign-in")})
    assert answer.status_code == 403
    assert "not signed in, so nothing was recorded" in words(answer)
    assert entries(settled_once) == before


@pytest.mark.parametrize(
    "path", ["/cases/1", "/me/letters", "/me/away", "/sign-out", "/sign-in", "/at/label00000000000000001"]
)
def test_every_other_form_asks_for_its_token_too(web: Visitor, path: str) -> None:
    form = {"hours": "24", "letters": "off", "address": "ada@example.org", "problem": "light"}
    assert web.post(path, form).status_code == 403
