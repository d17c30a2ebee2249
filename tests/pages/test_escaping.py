"""Whatever the register and the log hold is shown as text: a name that is markup stays a name."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pytest
from sqlalchemy import Text, select, update
from sqlalchemy.types import String

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.store.tables import (
    cases,
    conditions,
    duties,
    ledger,
    log,
    parts,
    people,
    sites,
    units,
)

from .conftest import BASE, NewVisitor
from .everything import paths

EVIL = """<b>&"'><img src=x onerror=alert(1)>\u202e{{ 73*79 }}"""
# Columns that the pages look things up by, that hold JSON, or whose words the code itself writes.
KEPT = {
    "units": {"label"},
    "sites": {"time_zone", "country", "subdivision"},
    "people": {"email", "time_zone", "language", "person"},
    "parts": {"state", "read_from"},
    "duties": {"holder", "key", "standing", "because", "period", "uid", "role"},
    "conditions": {"condition", "reasons"},
    "cases": {"cause", "severity", "state", "what", "taken_by"},
    "log": {"entry", "by_person", "readings", "part", "digest", "prev_hash", "hash"},
}


class Reader(HTMLParser):
    """Collects what a browser would make of a page: tags, attributes and text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.links: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes.update(name for name, _ in attrs)
        self.links += [value or "" for name, value in attrs if name in ("href", "src", "action")]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def poison(program: Program) -> None:
    """Puts markup into every text that anybody could have written, in every row."""
    with program.store.write() as conn:
        for table in (sites, units, parts, people, duties, cases, log):
            for column in table.columns:
                if isinstance(column.type, String | Text) and column.name not in KEPT[table.name]:
                    unique = column.unique or column.name in ("unit", "site")
                    for row in conn.execute(select(*table.primary_key.columns)).all():
                        room = getattr(column.type, "length", None)
                        text = (f"{row[0]}{EVIL}" if unique else EVIL)[:room]
                        conn.execute(update(table).where(table.c.id == row[0]).values({column.name: text}))
        because = [{"rule": EVIL, "title": EVIL, "force": EVIL, "source": EVIL, "evidence": EVIL}]
        conn.execute(update(duties).values(because=json.dumps(because)))
        conn.execute(update(conditions).values(reasons=json.dumps([EVIL])))
        what = [{"subject": EVIL, "last_good_day": None, "reason": EVIL, "rule": EVIL, "force": EVIL, "source": EVIL}]
        conn.execute(update(cases).values(what=json.dumps(what), taken_by=EVIL[:64]))
        conn.execute(
            update(log).values(readings=json.dumps({EVIL: EVIL, "self-test": EVIL}), part=json.dumps({"kind": EVIL}))
        )
        code = conn.execute(select(units.c.unit).order_by(units.c.id).limit(1)).scalar_one()
        conn.execute(update(ledger).values(findings=json.dumps([{"unit": code, "why": EVIL}])))


@pytest.fixture
def poisoned(settled: Program) -> Program:
    settled.settings.fleet.name = EVIL
    settled.settings.fleet.emergency_number = EVIL
    poison(settled)
    return settled


def addresses(program: Program) -> list[str]:
    with program.store.read() as conn:
        first = conn.execute(select(units.c.unit, sites.c.site).join(sites).order_by(units.c.id)).first()
    assert first is not None
    own = [links.unit_url(program.settings, first.unit), links.site_url(program.settings, first.site)]
    return [path.removeprefix(BASE) for path in own] + list(paths(program).values())


@pytest.mark.parametrize("person", ["", "P1"])
def test_markup_in_every_stored_text_stays_text(poisoned: Program, visitor: NewVisitor, person: str) -> None:
    web = visitor(poisoned)
    if person:
        web.sign_in(person)
    shown = 0
    for path in addresses(poisoned):
        answer = web.get(path)
        assert answer.status_code < 500, path
        if "html" not in answer.headers.get("content-type", ""):
            continue
        page = Reader()
        page.feed(answer.text)
        assert not page.tags & {"b", "img", "script", "iframe", "object", "style", "base"}, path
        assert not [name for name in page.attributes if name.startswith("on") or name == "style"], path
        assert not [link for link in page.links if not link.startswith(("/", "#", "tel:"))], path
        assert "5767" not in "".join(page.text), "a template inside the data must not run"
        shown += "<img src=x onerror=alert(1)>" in "".join(page.text)
    assert shown >= (18 if person else 6), "the texts must have been on the pages at all"


def test_what_was_typed_comes_back_as_text(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    forms = [
        (
            "/units/MILL-01",
            "/units/MILL-01/log",
            {"entry": "fitted", "label_date": EVIL, "lot": EVIL, "note": EVIL, "kind": EVIL},
        ),
        ("/units/MILL-01", "/units/MILL-01/log", {"entry": EVIL, "note": EVIL}),
        (
            "/units/MILL-01",
            "/units/MILL-01/log",
            {"entry": "check", "self-test": EVIL, "at": EVIL, "battery-bars": EVIL},
        ),
        ("/at/label00000000000000001", "/at/label00000000000000001", {"problem": EVIL, "note": EVIL}),
        ("/cases/1", "/cases/1", {"hours": "until", "until": EVIL}),
    ]
    for page, path, form in forms:
        answer = web.post(path, {**form, "form_token": web.token(page)})
        assert answer.status_code == 400, path
        reader = Reader()
        reader.feed(answer.text)
        assert not reader.tags & {"b", "img", "script"}
    for path in (
        "/units?find=",
        "/duties?site=",
        "/duties?kind=",
        "/duties?standing=",
        "/duties?until=",
        "/sign-in?next=",
    ):
        reader = Reader()
        reader.feed(web.web.get(path + "%3Cb%3E%22%27%3E").text)
        assert "b" not in reader.tags, path
    stranger = visitor(settled_once)
    reader = Reader()
    reader.feed(stranger.send("/sign-in", "/sign-in", address=EVIL, next=EVIL).text)
    assert not reader.tags & {"b", "img"}
