"""Every link and every form of the demo's fleet, for each role: nothing breaks, no link is dead, reading acts not."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from sqlalchemy import select

from nightround import cli
from nightround.bootstrap import Program
from nightround.letters import links
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.tables import messages, people, units
from tests.conftest import Clock

from .conftest import NewVisitor, Visitor
from .crawler import ODD, Crawl, in_letter
from .everything import digest

# One of each role; the last is known to nobody.
ROLES = ("COORD", "OC-1", "C-POLD", "M-AMERICAS-1", "R-HARB-1", "")


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's fleet brought in by the program's own commands, as `deploy/try` does, made once."""
    folder = tmp_path_factory.mktemp("crawl")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTROUND_CONFIG", str(folder / "home" / "nightround.toml"))
        for command in (
            ["setup", folder / "home", "--set", "mail.security=plain", "--set", "watch.free_mb=0"],
            ["demo", folder / "files", "--on", "2026-11-25"],
            ["import", folder / "files"],
            ["notice", "add", folder / "files" / "notice.toml"],
            ["round"],
        ):
            assert cli.run([str(word) for word in command], clock=Clock()) in (0, 3), command
    return folder / "home"


@pytest.fixture
def demo(demo_folder: Path, tmp_path: Path, clock: Clock) -> Iterator[Program]:
    """A copy of it to act on."""
    home = tmp_path / "home"
    shutil.copytree(demo_folder, home)
    settings = load(home / "nightround.toml")
    store = open_store(settings.database_url())
    yield Program(settings, store, clock)
    store.close()


def enter(visitor: Visitor, person: str) -> None:
    """Signs the person in by a personal link, as somebody who got one from the operator."""
    program = visitor.program
    with program.store.read() as conn:
        address = conn.execute(select(people.c.email).where(people.c.person == person)).scalar_one()
    path = urlsplit(links.personal_url(program.settings, person, address, program.clock())).path
    assert visitor.send(path, path).status_code == 303


def seeds(program: Program, person: str, cabinets: int = 100) -> list[str]:
    """Where somebody starts: the first page, a cabinet, and the links of the letters that they got."""
    with program.store.read() as conn:
        labels = list(conn.execute(select(units.c.label).order_by(units.c.unit).limit(cabinets)).scalars())
        mine = select(messages.c.body).outerjoin(people, people.c.id == messages.c.person_id)
        bodies = conn.execute(mine.where(people.c.person == person)).scalars().all()
    found = ["/", "/cases", "/sign-in", "/healthz", *(f"/at/{label}" for label in labels)]
    for body in bodies:
        letter = message_from_bytes(body, EmailMessage, policy=policy.default)
        for kind in ("plain", "html"):
            part = letter.get_body((kind,))
            assert part is not None
            found += in_letter(part.get_content(), program.settings.web.base_url)
    return [link.replace("&amp;", "&") for link in found]


@pytest.mark.parametrize("person", ROLES)
def test_every_link_that_somebody_sees_leads_somewhere_and_opening_it_changes_nothing(
    demo: Program, visitor: NewVisitor, person: str
) -> None:
    web = visitor(demo)
    if person:
        enter(web, person)
    before = digest(demo)
    found = Crawl(web).follow(seeds(demo, person))
    assert found.wrong == []
    assert digest(demo) == before
    assert len(found.opened) > (60 if person in ("COORD", "OC-1", "") else 5)


@pytest.mark.parametrize("person", ROLES)
def test_every_form_answers_in_sentences_whatever_is_sent(demo: Program, visitor: NewVisitor, person: str) -> None:
    web = visitor(demo)
    if person:
        enter(web, person)
    crawl = Crawl(web).follow(seeds(demo, person, cabinets=2), most=90)
    wrong = []
    sent = 0
    for form in sorted(crawl.acts(each=1), key=lambda form: form.action.endswith("/sign-out")):
        tries = [form.filled(turn) for turn in range(3)]
        tries += [form.spoilt(value) for value in ODD]
        tries += form.half_spoilt(ODD[len(form.fields) % len(ODD)])
        token = ""
        for number, values in enumerate(tries):
            if "form_token" in values:
                token = token or crawl.token(form)
                values["form_token"] = token
            answer = web.post(form.action, values)
            sent += 1
            if answer.status_code >= 500 or (number < 3 and answer.status_code in (403, 404, 405)):
                wrong.append(f"{answer.status_code} {form.action} {values}")
            elif answer.status_code >= 400 and "<h1>" not in answer.text:
                wrong.append(f"{answer.status_code} {form.action} {values} without a page")
            if answer.status_code == 303 and number < 3:
                after = web.get(answer.headers["location"])
                if after.status_code >= 400:
                    wrong.append(f"{after.status_code} {answer.headers['location']} after {form.action} {values}")
            if person and web.get("/cases/0").status_code == 303:
                enter(web, person)
                token = ""
    assert wrong == []
    assert sent > 20
    assert Crawl(web).follow(seeds(demo, person, cabinets=2), most=40).wrong == []
