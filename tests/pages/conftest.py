"""The web application on the invented fleet, and a visitor who can sign in, read forms and send them."""

from __future__ import annotations

import re
import shutil
import uuid
from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from httpx import Response
from starlette.testclient import TestClient

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.pages.app import build
from nightround.pages.doors import Office
from nightround.pages.look import Look
from nightround.pages.session import Cookies
from nightround.settings import Settings, load
from nightround.store.database import open_store
from tests.conftest import Clock
from tests.databases import Server, Templates

from . import fleet

BASE = "http://127.0.0.1:8470"


class Waits:
    """Stands in for sleeping: keeps how long it was asked to."""

    def __init__(self) -> None:
        self.seconds: list[float] = []

    async def __call__(self, seconds: float) -> None:
        self.seconds.append(seconds)


class Visitor:
    """A browser: keeps cookies, says where its forms come from, and follows what it is told to follow."""

    def __init__(self, program: Program, waits: Waits, address: str = "127.0.0.1") -> None:
        self.office = office = Office(program, Look(program.settings), Cookies(program.settings), waits)
        self.program = program
        self.waits = waits
        base = urlsplit(program.settings.web.base_url)
        self.base = f"{base.scheme}://{base.netloc}"
        self.web = TestClient(
            build(program, office),
            self.base,
            raise_server_exceptions=False,
            follow_redirects=False,
            client=(address, 50_000),
        )

    def get(self, path: str) -> Response:
        return self.web.get(path)

    def post(self, path: str, form: dict[str, str], headers: dict[str, str] | None = None) -> Response:
        said = {"Origin": self.base, "Sec-Fetch-Site": "same-origin"} if headers is None else headers
        return self.web.post(path, data=form, headers=said)

    def token(self, page: str) -> str:
        """The form token on a page."""
        found = re.search(r'name="form_token" value="([^"]+)"', self.get(page).text)
        assert found, f"no form on {page}"
        return found[1]

    def send(self, page: str, path: str, **form: str) -> Response:
        """Opens a page with a form and sends one from it."""
        named = {name.replace("_", "-") if name not in ("label_date",) else name: text for name, text in form.items()}
        return self.post(path, {**named, "form_token": self.token(page)})

    def sign_in(self, person: str) -> Visitor:
        """Signs in by a personal link, the way a person does."""
        address = next(name for code, name, *_ in fleet.PEOPLE if code == person)
        mail = f"{address.split()[0].lower().replace('é', 'e')}@example.org"
        url = links.personal_url(self.program.settings, person, mail, self.program.clock())
        path = url.removeprefix(self.base)
        answer = self.send(path, path)
        assert answer.status_code == 303, answer.text
        return self


@pytest.fixture(scope="session")
def settled_file(tmp_path_factory: pytest.TempPathFactory, templates: Templates) -> Path:
    """An SQLite database with the fleet in it, made once."""
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text("", "utf-8")
    store = open_store(templates.copy(folder / "nightround.db"))
    fleet.settle(Program(load(folder / "nightround.toml"), store, Clock()))
    store.close()  # the last connection to close writes everything into the one file
    return folder / "nightround.db"


@pytest.fixture
def settled_once(settings: Settings, settled_file: Path, clock: Clock) -> Iterator[Program]:
    """The fleet on SQLite alone, for what has nothing to do with the kind of database."""
    file = settings.folder / "nightround.db"
    shutil.copy(settled_file, file)
    store = open_store(f"sqlite:///{file}")
    yield Program(settings, store, clock)
    store.close()


@pytest.fixture(scope="session")
def settled_template(postgres: Server, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The name of a PostgreSQL database with the fleet in it, made once, to be copied."""
    folder = tmp_path_factory.mktemp("fleet-postgresql")
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text("", "utf-8")
    postgres.say("CREATE DATABASE nightround_fleet TEMPLATE nightround_template")
    store = open_store(postgres.address("nightround_fleet"))
    fleet.settle(Program(load(folder / "nightround.toml"), store, Clock()))
    store.close()
    return "nightround_fleet"


@pytest.fixture(params=["sqlite", "postgresql"])
def settled(request: pytest.FixtureRequest, settings: Settings, clock: Clock) -> Iterator[Program]:
    """The program with the fleet in it, on each database in turn."""
    if request.param == "sqlite":
        yield request.getfixturevalue("settled_once")
        return
    server: Server = request.getfixturevalue("postgres")
    template = request.getfixturevalue("settled_template")
    name = f"t{uuid.uuid4().hex}"
    server.say(f"CREATE DATABASE {name} TEMPLATE {template}")
    store = open_store(server.address(name))
    yield Program(settings, store, clock)
    store.close()
    server.drop(name)


NewVisitor = Callable[..., Visitor]


@pytest.fixture
def visitor() -> Iterator[NewVisitor]:
    """Makes visitors: `visitor(program)` is a stranger, `visitor(program, "P1")` is signed in; each at an address."""
    made: list[Visitor] = []

    def new(program: Program, person: str = "", address: str = "127.0.0.1") -> Visitor:
        one = Visitor(program, Waits(), address)
        made.append(one)
        return one.sign_in(person) if person else one

    yield new
    for one in made:
        one.web.close()


def words(answer: Response) -> str:
    """What a reader sees: the page without tags."""
    text = re.sub(r"</?(?:bdi|time|strong|span|s|a)\b[^>]*>", "", answer.text)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())
