"""A responder sees what they owe themselves and never another person's certificate; whoever looks after people does."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.pages.app import build
from nightround.settings import load
from nightround.store.database import Store
from tests.conftest import Clock
from tests.register.conftest import office, small_office
from tests.register.office import Office, write

__all__ = ["office", "small_office"]  # fixtures, used by their names

BASE = "http://127.0.0.1:8470"
PAGES = (
    "/", "/duties", "/duties?kind=certificate", "/duties?kind=responders", "/duties?standing=overdue",
    "/duties?standing=not+recorded", "/sites", "/sites/MILL", "/me",
)  # fmt: skip
OTHERS = "Bea Holt"
MINE = "Ada Keller"
ROLES = {"ada": "responder", "bea": "responder", "cora": "coordinator", "mo": "manager", "sid": "site-contact",
         "otto": "on-call", "nil": ""}  # fmt: skip


def staffed(office: Office) -> None:
    names = {"ada": MINE, "bea": OTHERS}
    (office.folder / "nightround.key").write_bytes(b"k" * 43)
    office.bring(
        write(
            office.folder / "files",
            sites="site | name | time_zone | country | responders\nMILL | Mill | Europe/Paris | FR | 2",
            units="unit | site | spot | in_service_on\nM1 | MILL | hall | 2026-01-01",
            people="person | name | email | roles | sites\n"
            + "\n".join(f"{c} | {names.get(c, c)} | {c}@example.org | {role} | MILL" for c, role in ROLES.items()),
            training="person | certificate | issued_on | valid_to\nada | Basic life support | 2024-01-10 | 2027-01-10\n"
            "bea | Wilderness aid | 2024-02-10 | 2026-10-10\nbea | Deck aid | |",
        )
    )
    office.say("round")


def tells(text: str, name: str) -> bool:
    """Whether a text tells of a certificate of that person; that they are at the site may be told."""
    plain = " ".join(re.sub(r"<[^>]*>", " ", text.replace("\n ", "")).split())
    return bool(
        re.search(
            rf"(certificate of|refresher for) {name}|{name} (to \d|no date)|Wilderness|Deck aid", plain, re.IGNORECASE
        )
    )


def feeds(office: Office, folder: Path, *of: str) -> list[str]:
    number = office.run("calendar", "add", *of).document["id"]
    found = []
    for kind in ("events", "tasks"):
        office.run("calendar", "write", number, "--out", folder / "feed.ics", "--kind", kind)
        found.append((folder / "feed.ics").read_text("utf-8"))
    return found


@pytest.mark.parametrize(("person", "sees"), [(p, role not in ("responder", "")) for p, role in ROLES.items()])
def test_a_persons_calendar(small_office: Office, tmp_path: Path, person: str, sees: bool) -> None:
    staffed(small_office)
    if person == "bea":
        return
    for text in feeds(small_office, tmp_path, "--person", person):
        assert tells(text, OTHERS) == sees
        assert tells(text, MINE) == (sees or person == "ada")
        assert "look at M1" in text.replace("\n ", "")


def test_the_calendar_of_a_site_which_anybody_may_hold(small_office: Office, tmp_path: Path) -> None:
    staffed(small_office)
    for text in feeds(small_office, tmp_path, "--site", "MILL"):
        assert not tells(text, OTHERS) and not tells(text, MINE)
        assert "about the certificates of people" in text.replace("\n ", "")
    assert all(tells(text, OTHERS) for text in feeds(small_office, tmp_path, "--fleet"))


def test_who_becomes_a_coordinator_sees_them_at_the_next_look(office: Office, tmp_path: Path) -> None:
    staffed(office)
    number = office.run("calendar", "add", "--person", "ada").document["id"]

    def look() -> str:
        office.run("calendar", "write", number, "--out", tmp_path / "feed.ics")
        return (tmp_path / "feed.ics").read_text("utf-8")

    assert not tells(look(), OTHERS)
    people = office.folder / "files" / "people.csv"
    people.write_text(people.read_text().replace("ada@example.org,responder", "ada@example.org,coordinator"))
    office.bring(office.folder / "files")
    assert tells(look(), OTHERS)


@pytest.fixture
def visit(small_office: Office, sqlite_store: Store, clock: Clock) -> Callable[[str], TestClient]:
    staffed(small_office)
    program = Program(load(small_office.folder / "nightround.toml"), sqlite_store, clock)

    def signed_in(person: str) -> TestClient:
        web = TestClient(build(program), BASE)
        path = small_office.run("sign-in-link", "--person", person).document["url"].removeprefix(BASE)
        token = re.search(r'name="form_token" value="([^"]+)"', web.get(path).text)
        assert token is not None
        web.post(path, data={"form_token": token[1]}, headers={"Origin": BASE})
        return web

    return signed_in


@pytest.mark.parametrize("person", ["ada", "nil", "cora", "mo", "sid"])
def test_pages(visit: Callable[[str], TestClient], small_office: Office, person: str) -> None:
    web = visit(person)
    sees = ROLES[person] not in ("responder", "")
    cases = [f"/cases/{number}" for (number,) in small_office.rows("SELECT id FROM cases")]
    assert cases
    told = []
    for path in (*PAGES, "/cases", *cases) if not sees else (*PAGES, *cases):
        answer = web.get(path)
        assert answer.status_code in ((200,) if sees else (200, 404)), path
        assert sees or not tells(answer.text, OTHERS), path
        told.append(tells(answer.text, OTHERS))
    assert any(told) == sees
    assert tells(web.get("/duties").text, MINE) == (sees or person == "ada"), "their own they see"
    kinds = re.findall(r'<option value="(certificate|refresher|responders)"', web.get("/duties").text)
    assert sorted(set(kinds)) == (["certificate", "responders"] if sees else ["certificate"] * (person == "ada"))
