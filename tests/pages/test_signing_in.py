"""Signing in by mail: the same answer for everybody, letters that are counted, links that only a button uses."""

from __future__ import annotations

import re
from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest
from httpx import Response
from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.pages.signing_in import ANSWER_SECONDS
from nightround.store.tables import messages, people
from tests.conftest import Clock

from .conftest import BASE, NewVisitor, Visitor, words


def ask(web: Visitor, address: str, next_page: str = "") -> Response:
    return web.send("/sign-in", "/sign-in", address=address, next=next_page)


def letters(program: Program) -> list[EmailMessage]:
    with program.store.read() as conn:
        bodies = conn.execute(select(messages.c.body).where(messages.c.kind == "sign-in").order_by(messages.c.id))
        return [message_from_bytes(body, policy=policy.default) for body in bodies.scalars()]


def links_in(letter: EmailMessage) -> list[str]:
    text = letter.get_body(("plain",))
    assert text is not None
    return [url.removeprefix(BASE) for url in re.findall(r"http://\S+/me/\S+", text.get_content())]


def test_a_person_signs_in_by_the_link_in_a_letter(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled)
    assert web.get("/").headers["location"] == "/sign-in"
    assert "Look into your mail" in words(ask(web, "ADA@Example.org"))
    (letter,) = letters(settled)
    assert letter["To"] == "Ada Ferrow <ada@example.org>"
    assert letter["Subject"] == "Your link to sign in to Test fleet"
    (path,) = links_in(letter)
    assert "Sign in as Ada Ferrow" in words(web.get(path))
    assert web.get("/").status_code == 303, "opening the link must not sign anybody in"
    answer = web.send(path, path)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Signed in as Ada Ferrow" in words(web.get("/"))


def test_the_html_of_the_letter_holds_the_same_link(settled_once: Program, visitor: NewVisitor) -> None:
    ask(visitor(settled_once), "ada@example.org")
    (letter,) = letters(settled_once)
    html = letter.get_body(("html",))
    assert html is not None and f'href="{BASE}{links_in(letter)[0]}"' in html.get_content()


def test_known_and_unknown_addresses_get_the_same_answer(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    known, unknown = ask(web, "ada@example.org"), ask(web, "stranger@example.org")
    assert (known.status_code, known.text) == (unknown.status_code, unknown.text)
    assert [h for h in known.headers if h != "date"] == [h for h in unknown.headers if h != "date"]
    assert len(letters(settled_once)) == 1


def test_every_answer_is_held_back_to_the_same_time(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    for address in ("ada@example.org", "stranger@example.org", "not an address"):
        ask(web, address)
    # What is waited and what the work took make up the same time; the work is far shorter.
    assert len(web.waits.seconds) == 3
    assert all(0 < seconds <= ANSWER_SECONDS for seconds in web.waits.seconds)


@pytest.mark.parametrize("address", ["", "ada", "ada@", "@example.org", "a b@example.org", "a@b@c", "x" * 400])
def test_what_is_no_address_is_said_to_be_none(settled_once: Program, visitor: NewVisitor, address: str) -> None:
    answer = ask(visitor(settled_once), address)
    assert answer.status_code == 400
    assert "not an e-mail address" in words(answer)
    assert not letters(settled_once)


def test_a_line_break_in_the_address_adds_no_header(settled_once: Program, visitor: NewVisitor) -> None:
    ask(visitor(settled_once), "ada@example.org\r\nBcc: eve@example.org")
    assert not letters(settled_once)


def test_at_most_three_letters_go_to_one_address_in_half_an_hour(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    web = visitor(settled)
    for _ in range(5):
        assert "Look into your mail" in words(ask(web, "ada@example.org"))
        clock.forward(minutes=2)
    ask(web, "ben@example.org")
    assert [letter["To"] for letter in letters(settled)].count("Ada Ferrow <ada@example.org>") == 3
    assert len(letters(settled)) == 4
    clock.forward(minutes=21)  # the first of the three was written 31 minutes ago
    ask(web, "ada@example.org")
    ask(web, "ada@example.org")
    assert len(letters(settled)) == 5


def test_people_who_share_an_address_get_one_letter_with_a_link_each(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        conn.execute(update(people).where(people.c.person.in_(["P2", "P4"])).values(email="desk@example.org"))
    web = visitor(settled)
    ask(web, "desk@example.org")
    (letter,) = letters(settled)
    first, second = links_in(letter)
    assert "Ben Oakes" in words(web.get(first)) and "Dev Rana" in words(web.get(second))


def test_people_without_an_address_are_not_found_by_none(settled_once: Program, visitor: NewVisitor) -> None:
    with settled_once.store.write() as conn:
        conn.execute(insert(people).values(person="P9", name="No Mail", email=""))
    ask(visitor(settled_once), "")
    assert not letters(settled_once)


def test_after_signing_in_the_page_that_was_wanted_comes(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    location = web.get("/units/VAU%201%2Fb?skip=30").headers["location"]
    page = web.get(location).text
    wanted = re.search(r'name="next" value="([^"]*)"', page)
    assert wanted and wanted[1] == "/units/VAU%201%2Fb?skip=30"
    ask(web, "ada@example.org", wanted[1])
    (path,) = links_in(letters(settled_once)[0])
    assert web.send(path, path).headers["location"] == "/units/VAU%201%2Fb?skip=30"


@pytest.mark.parametrize(
    "elsewhere",
    [
        "https://evil.example/",
        "//evil.example/",
        "/\\evil.example",
        "javascript:alert(1)",
        "/a\r\nX: y",
        "x",
        "/" * 400,
    ],
)
def test_nobody_is_led_elsewhere(settled_once: Program, visitor: NewVisitor, elsewhere: str) -> None:
    web = visitor(settled_once)
    ask(web, "ada@example.org", elsewhere)
    (path,) = links_in(letters(settled_once)[0])
    assert web.send(path, path).headers["location"] == "/"


def test_an_old_link_is_refused_with_a_way_forward(settled_once: Program, visitor: NewVisitor, clock: Clock) -> None:
    web = visitor(settled_once)
    ask(web, "ada@example.org")
    (path,) = links_in(letters(settled_once)[0])
    clock.forward(minutes=31)
    answer = web.get(path)
    assert answer.status_code == 410
    assert "too old" in words(answer) and 'href="/sign-in"' in answer.text


def test_an_old_link_does_not_work_by_its_button_either(
    settled_once: Program, visitor: NewVisitor, clock: Clock
) -> None:
    web = visitor(settled_once)
    ask(web, "ada@example.org")
    (path,) = links_in(letters(settled_once)[0])
    token = web.token(path)
    clock.forward(minutes=31)
    assert web.post(path, {"form_token": token}).status_code == 410
    assert web.get("/").status_code == 303


def test_a_broken_link_is_refused_with_a_way_forward(settled_once: Program, visitor: NewVisitor) -> None:
    answer = visitor(settled_once).get("/me/eyJwIjoiUDEifQ.abc.def")
    assert answer.status_code == 404
    assert "not complete" in words(answer) and 'href="/sign-in"' in answer.text


def test_a_new_address_in_the_register_ends_links_and_sessions(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P2")
    path = links.personal_url(settled.settings, "P2", "ben@example.org", settled.clock()).removeprefix(BASE)
    assert web.get("/units/MILL-01").status_code == 200
    with settled.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "P2").values(email="benjamin@example.org"))
    assert web.get("/units/MILL-01").status_code == 303
    assert web.get(path).status_code == 410


def test_signing_out_ends_the_session(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    assert web.send("/", "/sign-out").headers["location"] == "/sign-in"
    assert web.get("/").status_code == 303


def test_a_session_ends_after_thirty_days(settled_once: Program, visitor: NewVisitor, clock: Clock) -> None:
    web = visitor(settled_once, "P1")
    clock.forward(days=30)
    assert web.get("/").status_code == 200
    clock.forward(seconds=1)
    assert web.get("/").status_code == 303


def session_cookie(web: Visitor) -> str:
    value = web.web.cookies.get("nightround")
    assert value is not None
    return value


@pytest.mark.parametrize("at", [0, 5, 20, 40, 60, 80, 100])
def test_a_changed_session_cookie_is_no_session(settled_once: Program, visitor: NewVisitor, at: int) -> None:
    web = visitor(settled_once, "P1")
    value = session_cookie(web)
    changed = value[:at] + ("A" if value[at] != "A" else "B") + value[at + 1 :]
    web.web.cookies.set("nightround", changed)
    stranger = visitor(settled_once)
    stranger.web.cookies.set("nightround", changed)
    assert stranger.get("/").status_code == 303


def test_the_text_of_a_link_is_no_session(settled_once: Program, visitor: NewVisitor) -> None:
    stranger = visitor(settled_once)
    url = links.personal_url(settled_once.settings, "P1", "ada@example.org", settled_once.clock())
    stranger.web.cookies.set("nightround", url.rsplit("/", 1)[1])
    assert stranger.get("/").status_code == 303


def test_the_session_cookie_is_kept_from_scripts_and_other_sites(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    path = links.personal_url(settled_once.settings, "P1", "ada@example.org", settled_once.clock()).removeprefix(BASE)
    said = next(c for c in web.send(path, path).headers.get_list("set-cookie") if c.startswith("nightround="))
    assert "HttpOnly" in said and "SameSite=lax" in said and "Path=/" in said and "Max-Age=2592000" in said
    assert "Secure" not in said, "the test runs over http"


def test_over_tls_the_cookies_are_bound_to_it(settled_once: Program, visitor: NewVisitor) -> None:
    settled_once.settings.web.base_url = "https://rounds.example.org"
    web = visitor(settled_once)
    form = web.get("/sign-in").headers["set-cookie"]
    assert form.startswith("__Host-nightround-form=") and "Secure" in form
    url = links.personal_url(settled_once.settings, "P1", "ada@example.org", settled_once.clock())
    path = url.removeprefix("https://rounds.example.org")
    session = next(c for c in web.send(path, path).headers.get_list("set-cookie") if "Max-Age=2592000" in c)
    assert session.startswith("__Host-nightround=") and "Secure" in session
    assert web.get("/").status_code == 200


def test_beneath_a_path_every_link_and_cookie_stays_beneath_it(settled_once: Program, visitor: NewVisitor) -> None:
    settled_once.settings.web.base_url = "https://example.org/rounds"
    web = visitor(settled_once)
    answer = web.get("/sign-in")
    assert "Path=/rounds;" in answer.headers["set-cookie"] and "__Host-" not in answer.headers["set-cookie"]
    assert 'action="/rounds/sign-in"' in answer.text
    assert re.findall(r'(?:href|action)="/(?!rounds/)', answer.text) == []
    assert web.get("/duties").headers["location"] == "/rounds/sign-in?next=%2Fduties"


def test_signing_in_as_somebody_else_takes_the_place_of_the_first(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    first = session_cookie(web)
    web.sign_in("P2")
    assert session_cookie(web) != first
    assert "Signed in as Ben Oakes" in words(web.get("/"))
