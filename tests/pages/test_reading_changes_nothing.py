"""GET and HEAD act on nothing: mail scanners, previews and crawlers open every link they find."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import update

from nightround.bootstrap import Program
from nightround.store.tables import people

from .conftest import NewVisitor
from .everything import digest, paths


@pytest.mark.parametrize("person", ["", "P1"])
def test_opening_every_page_leaves_the_database_as_it_was(settled: Program, visitor: NewVisitor, person: str) -> None:
    web = visitor(settled, person)
    before = digest(settled)
    for name, path in paths(settled).items():
        for method in ("GET", "HEAD", "OPTIONS"):
            answer = web.web.request(method, path)
            assert answer.status_code < 500, (name, method)
            assert digest(settled) == before, (name, method)


def test_following_every_link_on_every_page_leaves_it_too(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    before = digest(settled_once)
    waiting, seen = ["/"], {"/"}
    while waiting and len(seen) < 150:
        answer = web.get(waiting.pop())
        assert answer.status_code < 500
        for link in re.findall(r'href="(/[^"#]*)', answer.text):
            path = link.replace("&amp;", "&")
            if path not in seen:
                seen.add(path)
                waiting.append(path)
    assert {path.split("/")[1].split("?")[0] for path in seen} >= {"units", "sites", "duties", "cases", "at", "me"}
    assert len(seen) > 30
    assert digest(settled_once) == before


def test_signing_in_by_opening_is_impossible(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once)
    for name, path in paths(settled_once).items():
        if "link" in name:
            web.get(path)
            web.web.head(path)
    assert "nightround" not in dict(web.web.cookies)


def test_the_digest_notices_a_change(settled_once: Program) -> None:
    before = digest(settled_once)
    with settled_once.store.write() as conn:
        conn.execute(update(people).where(people.c.person == "P5").values(letters_off=True))
    assert digest(settled_once) != before
