"""While the database cannot be used: 503 and when to ask again; what could not be stored says so, and is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import func, select, text

from nightround.bootstrap import Program
from nightround.calendars import keys
from nightround.store.tables import log
from tests.conftest import Clock

from .conftest import NewVisitor, words

LABEL = "/at/label00000000000000005"


@pytest.fixture
def down(request: pytest.FixtureRequest, settled: Program) -> Callable[[], AbstractContextManager[None]]:
    """Takes the database away for the time of a block: the server refuses connections, or the file is not there."""

    @contextmanager
    def of_sqlite() -> Iterator[None]:
        url = settled.store.engine.url.database
        assert url is not None
        file, aside = Path(url), Path(f"{url}.aside")
        settled.store.engine.dispose()  # the last connection to close leaves one whole file
        file.rename(aside)
        file.mkdir()
        try:
            yield
        finally:
            settled.store.engine.dispose()
            file.rmdir()
            aside.rename(file)

    @contextmanager
    def of_postgresql() -> Iterator[None]:
        server, name = request.getfixturevalue("postgres"), settled.store.engine.url.database
        server.say(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false")
        server.say(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}'")
        try:
            yield
        finally:
            server.say(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true")
            settled.store.engine.dispose()

    return of_sqlite if settled.store.dialect == "sqlite" else of_postgresql


def entries(program: Program) -> int:
    with program.store.read() as conn:
        return conn.execute(select(func.count()).select_from(log)).scalar_one()


def test_pages_and_the_feed_say_when_to_ask_again(
    settled: Program, visitor: NewVisitor, down: Callable[[], AbstractContextManager[None]]
) -> None:
    ada, stranger = visitor(settled, "P1"), visitor(settled)
    with settled.store.write() as conn:
        _, key = keys.add(conn, settled.clock())
    feed = f"/calendar/{key}.ics"
    assert stranger.get(feed).status_code == 200
    with down():
        for web, path in ((ada, "/"), (ada, "/units/MILL-01"), (ada, "/cases"), (stranger, LABEL)):
            answer = web.get(path)
            assert (answer.status_code, answer.headers["retry-after"]) == (503, "60"), path
            assert "cannot be shown just now" in words(answer) and "<h1>Not just now" in answer.text
        answer = stranger.get(feed)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "300")
        assert answer.headers["content-type"].startswith("text/plain") and "VCALENDAR" not in answer.text
        assert stranger.get("/sign-in").status_code == 200
        assert stranger.get("/readyz").status_code == 503
        assert stranger.get("/metrics").status_code == 503
    assert ada.get("/").status_code == 200 and stranger.get(feed).status_code == 200


def test_a_report_that_could_not_be_stored_says_so(
    settled: Program, visitor: NewVisitor, down: Callable[[], AbstractContextManager[None]], clock: Clock
) -> None:
    stranger, ada = visitor(settled), visitor(settled, "P1")
    token, hers = stranger.token(LABEL), ada.token("/units/MILL-01")
    before = entries(settled)
    with down():
        for answer in (
            stranger.post(LABEL, {"problem": "used", "form_token": token}),
            ada.post("/units/MILL-01/log", {"entry": "fault", "problem": "light", "form_token": hers}),
        ):
            assert (answer.status_code, answer.headers["retry-after"]) == (503, "60")
            said = words(answer)
            assert "What you sent was not stored, and nobody is told of it" in said
            assert "call the emergency number first" in said
            assert "may or may not" not in said
    assert entries(settled) == before
    assert stranger.post(LABEL, {"problem": "used", "form_token": token}).status_code == 303
    assert entries(settled) == before + 1


def test_an_error_of_ours_is_still_an_error_of_ours(
    settled: Program, visitor: NewVisitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    ada = visitor(settled, "P1")
    with settled.store.write() as conn:
        conn.execute(text("ALTER TABLE absences RENAME TO something_else"))
    answer = ada.get("/me")
    assert answer.status_code == 500
    with settled.store.write() as conn:
        conn.execute(text("ALTER TABLE something_else RENAME TO absences"))
