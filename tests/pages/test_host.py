"""What the Host field says decides nothing: it may come from anybody."""

from __future__ import annotations

import pytest

from nightround.bootstrap import Program

from .conftest import NewVisitor


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ("/duties/", "/duties"),
        ("/duties/?site=MILL&page=2", "/duties?site=MILL&page=2"),
        ("/cases///", "/cases"),
        ("/sign-in/", "/sign-in"),
        ("/me/", "/me"),
    ],
)
def test_a_slash_too_many_leads_to_our_own_page(
    settled_once: Program, visitor: NewVisitor, asked: str, given: str
) -> None:
    web = visitor(settled_once, "P1")
    answer = web.web.get(asked, headers={"Host": "evil.example"})
    assert (answer.status_code, answer.headers["location"]) == (307, given)


def test_beneath_a_path_it_stays_there(settled_once: Program, visitor: NewVisitor) -> None:
    settled_once.settings.web.base_url = "https://example.org/rounds"
    answer = visitor(settled_once).web.get("/duties/", headers={"Host": "evil.example"})
    assert answer.headers["location"] == "/rounds/duties"


@pytest.mark.parametrize("path", ["//evil.example/", "//evil.example/duties/", "/no/such/page/", "/look/", "/%2F/"])
def test_what_is_no_page_of_ours_leads_nowhere(settled_once: Program, visitor: NewVisitor, path: str) -> None:
    answer = visitor(settled_once).web.request("GET", "http://127.0.0.1:8470" + path)
    assert answer.status_code == 404 and "location" not in answer.headers


@pytest.mark.parametrize("host", ["evil.example", "evil.example/duties?x=", "a b", "[::1", "@", "%00", "x" * 3000])
@pytest.mark.parametrize("path", ["/", "/duties", "/duties/", "/look/icon.svg", "/no/such", "/at/nothing", "/readyz"])
def test_no_host_breaks_a_page_or_leads_away(settled_once: Program, visitor: NewVisitor, host: str, path: str) -> None:
    for web in (visitor(settled_once, "P1"), visitor(settled_once)):
        expected = web.get(path)
        answer = web.web.get(path, headers={"Host": host})
        assert answer.status_code == expected.status_code
        assert answer.headers.get("location") == expected.headers.get("location")
