"""What stands around every page: strict headers, a log without secrets, and refusals that say the way forward."""

from __future__ import annotations

import logging
import re

import pytest
from sqlalchemy import event, text

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.letters import links
from nightround.logs import Lines
from nightround.pages.look import Look

from .conftest import BASE, NewVisitor, words
from .everything import paths


def test_every_answer_is_strict_with_the_browser(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    for name, path in paths(settled_once).items():
        headers = web.get(path).headers
        assert headers["content-security-policy"].startswith("default-src 'none'; style-src 'self'"), name
        assert "script" not in headers["content-security-policy"]
        for part in ("form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"):
            assert part in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        kept = "max-age=2592000" if name in ("open style", "open icon") else "no-store"
        assert kept in headers["cache-control"], name


def test_no_page_holds_a_script_a_style_or_anything_from_elsewhere(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    for name, path in paths(settled_once).items():
        html = web.get(path).text
        if name in ("open style", "open icon"):
            assert "http" not in html.replace("http://www.w3.org/2000/svg", "") and "@import" not in html
            continue
        assert not re.search(r"<script|<style|\sstyle=|\son\w+=|javascript:", html), name
        assert not re.findall(r'(?:href|src|action)="(?:https?:)?//', html), name


def test_pages_have_their_landmarks_labels_and_one_heading(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    for name, path in paths(settled_once).items():
        answer = web.get(path)
        if "html" not in answer.headers["content-type"]:
            continue
        html = answer.text
        for landmark in ("<main id=", "<header", "<footer", 'class="skip" href="#content"', '<html lang="en"'):
            assert html.count(landmark) == 1, (name, landmark)
        assert html.count("<h1") == 1, name
        ids = re.findall(r'\sid="([^"]+)"', html)
        assert len(ids) == len(set(ids)), (name, [one for one in ids if ids.count(one) > 1])
        labelled = set(re.findall(r'<label for="([^"]+)"', html))
        for field in re.findall(r"<(?:input|select|textarea)\b[^>]*>", html):
            if 'type="hidden"' in field or "aria-label=" in field:
                continue
            found = re.search(r'\sid="([^"]+)"', field)
            assert found and found[1] in labelled, (name, field)
        for wanted in re.findall(r'aria-(?:labelledby|describedby)="([^"]+)"', html):
            assert wanted in ids, (name, wanted)


@pytest.mark.parametrize(
    ("method", "path", "status", "said"),
    [
        ("GET", "/no/such/page", 404, "There is no such page here"),
        ("GET", "/units/NOBODY", 404, "There is no such page here"),
        ("POST", "/duties", 405, "not a page to open"),
        ("GET", "/sign-out", 405, "not a page to open"),
        ("PUT", "/units/MILL-01", 405, "not a page to open"),
        ("GET", "/duties?until=x", 400, "write it as 2026-12-31"),
        ("POST", "/sign-out", 403, "so nothing was done"),
    ],
)
def test_refusals_are_pages_with_a_way_forward(
    settled_once: Program, visitor: NewVisitor, method: str, path: str, status: int, said: str
) -> None:
    answer = visitor(settled_once, "P1").web.request(method, path)
    assert answer.status_code == status
    assert said in words(answer)
    assert 'href="/">The first page</a>' in answer.text


def test_too_long_a_form_is_refused_before_it_is_read(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    form = {"entry": "check", "note": "x" * 40_000, "form_token": web.token("/units/MILL-01")}
    answer = web.post("/units/MILL-01/log", form)
    assert answer.status_code == 413 and "too long, so nothing was done" in words(answer)
    chunks = iter([b"note=" + b"x" * 50_000] * 4)
    kind = {"Origin": BASE, "Content-Type": "application/x-www-form-urlencoded"}
    assert web.web.post("/units/MILL-01/log", content=chunks, headers=kind).status_code == 413, "without a length"
    many = {f"f{n}": "1" for n in range(100)}
    assert web.post("/units/MILL-01/log", many).status_code == 400


def test_a_form_that_is_none_is_refused(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    for body, kind in (
        (b"\xff\xfe\x00", "application/x-www-form-urlencoded"),
        (b'{"entry": "check"}', "application/json"),
        (b"--x\r\nbroken", "multipart/form-data; boundary=x"),
        (b"", ""),
    ):
        answer = web.web.post("/units/MILL-01/log", content=body, headers={"Content-Type": kind, "Origin": BASE})
        assert answer.status_code in (400, 403), kind


def test_an_error_of_ours_shows_a_page_and_keeps_its_words_for_the_log(
    settled_once: Program, visitor: NewVisitor, caplog: pytest.LogCaptureFixture
) -> None:
    web = visitor(settled_once, "P1")
    with settled_once.store.write() as conn:
        conn.execute(text("DROP TABLE events"))
        conn.execute(text("DROP TABLE duties"))
    with caplog.at_level(logging.INFO, "nightround.web"):
        answer = web.get("/")
    assert answer.status_code == 500
    assert "Something went wrong here" in words(answer) and "Look at the unit's page before you send it again" in words(
        answer
    )
    assert "duties" not in words(answer).replace("Duties", "") and "sqlite" not in answer.text.lower()
    assert answer.headers["content-security-policy"] and answer.headers["cache-control"] == "no-store"
    (line,) = [record for record in caplog.records if record.getMessage() == "request"]
    assert line.status == 500 and line.route == "/"  # type: ignore[attr-defined]


def test_the_access_log_has_one_line_a_request_and_no_secret(
    settled_once: Program, visitor: NewVisitor, caplog: pytest.LogCaptureFixture
) -> None:
    web = visitor(settled_once, "P1")
    with caplog.at_level(logging.DEBUG):
        for path in paths(settled_once).values():
            web.get(path)
        web.get("/calendar/SECRETKEYSECRETKEY.ics")
        web.get("/nowhere/SECRET")
        web.send("/at/label00000000000000001", "/at/label00000000000000001", problem="other", note="SECRET note")
    lines = [Lines().format(record) for record in caplog.records if record.name.startswith("nightround")]
    requests = [line for line in lines if '"act": "request"' in line]
    assert len(requests) == len(paths(settled_once)) + 4
    everything = "\n".join(lines)
    for secret in ("SECRET", "label0000", "eyJ", "IlAzIg", "MILL", "ada@", web.web.cookies["nightround"][:20]):
        assert secret not in everything, secret
    for route in ("/at/{label}", "/me/{token}", "/letters/stop/{token}", "/units/{code:path}"):
        assert f'"route": "{route}"' in everything
    assert '"route": "-"' in everything, "no pattern, no path"


def test_nothing_is_written_while_an_answer_waits(settled_once: Program, visitor: NewVisitor) -> None:
    """The sign-in answer is held back outside any unit of work."""
    web = visitor(settled_once)
    open_units: list[int] = []
    engine = settled_once.store.engine
    live = {"now": 0}
    event.listen(engine, "begin", lambda conn: live.__setitem__("now", live["now"] + 1))
    event.listen(engine, "commit", lambda conn: live.__setitem__("now", live["now"] - 1))
    event.listen(engine, "rollback", lambda conn: live.__setitem__("now", live["now"] - 1))
    watched = web.waits.__class__.__call__

    async def waiting(seconds: float) -> None:
        open_units.append(live["now"])
        await watched(web.waits, seconds)

    object.__setattr__(web.office, "wait", waiting)
    web.send("/sign-in", "/sign-in", address="ada@example.org")
    assert open_units == [0]


def test_a_broken_template_of_one_s_own_stops_the_start(settled_once: Program, visitor: NewVisitor) -> None:
    folder = settled_once.settings.folder / "own"
    (folder / "pages").mkdir(parents=True)
    (folder / "pages" / "today.html").write_text("{% if %}", "utf-8")
    settled_once.settings.letters.templates = folder
    with pytest.raises(UserError, match=r"template pages/today.html, line 1"):
        Look(settled_once.settings)


def test_a_template_of_one_s_own_takes_the_place_of_ours(settled_once: Program, visitor: NewVisitor) -> None:
    folder = settled_once.settings.folder / "own"
    (folder / "pages").mkdir(parents=True)
    (folder / "pages" / "stop.html").write_text("{{ name }}: our own words {{ odd | default('') }}", "utf-8")
    settled_once.settings.letters.templates = folder
    path = links.unsubscribe_url(settled_once.settings, "P3").removeprefix(BASE)
    assert visitor(settled_once).get(path).text == "Chloé Varnier: our own words "


def test_a_name_that_a_template_invents_is_an_error_never_a_blank(settled_once: Program, visitor: NewVisitor) -> None:
    folder = settled_once.settings.folder / "own"
    (folder / "pages").mkdir(parents=True)
    (folder / "pages" / "stop.html").write_text("{{ nmae }}", "utf-8")
    settled_once.settings.letters.templates = folder
    path = links.unsubscribe_url(settled_once.settings, "P3").removeprefix(BASE)
    answer = visitor(settled_once).get(path)
    assert answer.status_code == 500 and answer.text.startswith("Something went wrong here.")
