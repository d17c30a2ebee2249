"""The pages in a real browser: a phone's width, a keyboard, the dark, paper. Left out where there is no Chromium."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.pages.app import build
from nightround.settings import load
from nightround.store.database import open_store
from tests.conftest import Clock
from tests.databases import Templates

from . import fleet
from .browser import Browser, chromium
from .everything import paths

PROGRAM = chromium()


class Served:
    """The web on a loopback port, in a thread of its own."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self._server = uvicorn.Server(
            uvicorn.Config(build(program), host="127.0.0.1", port=0, log_config=None, access_log=False, lifespan="off")
        )
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        assert self._up.wait(20)
        port = self._server.servers[0].sockets[0].getsockname()[1]
        self.base = program.settings.web.base_url = f"http://127.0.0.1:{port}"

    def _run(self) -> None:
        async def main() -> None:
            watching = asyncio.create_task(self._server.serve())
            while not self._server.started:
                await asyncio.sleep(0.01)
            self._up.set()
            await watching

        asyncio.run(main())

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(20)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, templates: Templates) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text('[fleet]\nname = "Test fleet"\n', "utf-8")
    store = open_store(templates.copy(folder / "nightround.db"))
    program = Program(load(folder / "nightround.toml"), store, Clock())
    fleet.settle(program)
    one = Served(program)
    yield one
    one.close()
    store.close()


@pytest.fixture(scope="module")
def browser(served: Served, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser in which Ada has signed in, by her link and its button and the keyboard alone."""
    assert PROGRAM is not None
    one = Browser(PROGRAM, tmp_path_factory.mktemp("profile"))
    one.screen(1200)
    one.open(links.personal_url(served.program.settings, "P1", "ada@example.org", served.program.clock()))
    for _ in range(10):
        one.press("Tab")
        if one.measure("document.activeElement.tagName") == "BUTTON":
            break
    one.follow(lambda: one.press("Enter"))
    assert one.measure("document.querySelector('h1').textContent") == "Wed 25 Nov 2026"
    yield one
    one.close()


@pytest.mark.parametrize("width", [320, 360, 1200])
def test_no_page_scrolls_sideways(served: Served, browser: Browser, width: int) -> None:
    browser.screen(width)
    for name, path in paths(served.program).items():
        if name in ("open style", "open icon"):
            continue
        browser.open(served.base + path)
        over = browser.measure("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 0, (name, over)


def test_the_browser_keeps_to_the_policy_without_complaint(served: Served, browser: Browser) -> None:
    browser.screen(1200)
    for name, path in paths(served.program).items():
        if name in ("open not here", "open wrong link", "not their unit") or "acts" in name:
            continue
        browser.open(served.base + path)
        told = browser.complaints()
        if name in ("open style", "open icon"):
            # Opened by themselves they name no icon, and the browser may ask for one at the usual place.
            told = [line for line in told if "404" not in line]
        assert told == [], name
        if name not in ("open style", "open icon"):
            assert browser.measure("document.styleSheets.length") == 1, name


def test_the_keyboard_reaches_everything_in_the_order_in_which_it_stands(served: Served, browser: Browser) -> None:
    browser.screen(1200)
    browser.open(served.base + "/units/MILL-02")
    wanted = browser.measure(
        "[...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')]"
        ".filter(one => one.checkVisibility()).length"
    )
    browser.press("Tab")
    assert browser.measure("document.activeElement.className") == "skip"
    assert browser.measure("document.activeElement.getBoundingClientRect().left") >= 0, "seen once it has the focus"
    before = [-1.0, -1.0]
    reached = 1
    for _ in range(wanted * 7):
        browser.press("Tab")
        if browser.measure("document.activeElement === document.body"):
            break
        place = browser.measure(
            "(box => [box.top + scrollY, box.left])(document.activeElement.getBoundingClientRect())"
        )
        what = browser.measure("document.activeElement.outerHTML.slice(0, 120)")
        assert browser.measure("getComputedStyle(document.activeElement).outlineStyle") != "none", what
        same = browser.measure(
            "window.last === document.activeElement || (window.last = document.activeElement, false)"
        )
        if same:
            continue  # the parts of a date field
        reached += 1
        assert place[0] > before[0] - 45, "never far up the page"
        before = place
    assert reached >= wanted - 6, (reached, wanted)  # one stop for each group of radio buttons


def test_the_skip_link_leads_past_the_pages_menu(served: Served, browser: Browser) -> None:
    browser.screen(1200)
    browser.open(served.base + "/duties")
    browser.press("Tab")
    browser.press("Enter")
    assert browser.measure("document.activeElement.id") == "content"
    browser.press("Tab")
    assert browser.measure("document.activeElement.id") == "site"


def luminance(color: str) -> float:
    red, green, blue = (int(part) / 255 for part in color[color.index("(") + 1 : -1].split(",")[:3])
    parts = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in (red, green, blue)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


CONTRAST = """
[...document.querySelectorAll('main *, header *, footer *')].filter(one => one.checkVisibility() &&
  [...one.childNodes].some(node => node.nodeType === 3 && node.textContent.trim())).map(one => {
  let behind = one;
  while (behind && getComputedStyle(behind).backgroundColor === 'rgba(0, 0, 0, 0)') behind = behind.parentElement;
  const paper = getComputedStyle(behind || document.body).backgroundColor;
  return [getComputedStyle(one).color, paper, one.textContent.trim().slice(0, 40)];
})"""


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_every_text_stands_out_from_what_is_behind_it(served: Served, browser: Browser, dark: bool) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 (from memory).
    browser.screen(1200, dark=dark)
    for path in ("/", "/units/POOL-02", "/duties", "/cases/1", "/at/label00000000000000001", "/sites/MILL"):
        browser.open(served.base + path)
        found = browser.measure(CONTRAST)
        assert len(found) > 10
        for front, back, text in found:
            light, heavy = sorted((luminance(front), luminance(back)), reverse=True)
            assert (light + 0.05) / (heavy + 0.05) >= 4.5, (path, front, back, text)


def test_the_dark_is_dark(served: Served, browser: Browser) -> None:
    for dark in (False, True):
        browser.screen(800, dark=dark)
        browser.open(served.base + "/")
        paper = luminance(browser.measure("getComputedStyle(document.body).backgroundColor"))
        assert paper < 0.05 if dark else paper > 0.9


def test_on_paper_menus_forms_and_buttons_are_left_out(served: Served, browser: Browser) -> None:
    browser.screen(800, media="print")
    browser.open(served.base + "/units/MILL-02")
    seen = "[...document.querySelectorAll('nav, button, form, .skip')].filter(one => one.checkVisibility()).length"
    assert browser.measure(seen) == 0
    assert browser.measure("document.body.innerText.includes('not to be relied on')")
    assert browser.measure("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_a_stranger_reports_a_problem_with_the_keyboard_on_a_phone(served: Served, tmp_path: Path) -> None:
    assert PROGRAM is not None
    phone = Browser(PROGRAM, tmp_path / "phone")
    try:
        phone.screen(360)
        phone.open(served.base + "/at/label00000000000000007")
        phone.measure("document.querySelector('[name=problem]').focus()")
        phone.press(" ")
        for _ in range(4):
            phone.press("Tab")
            if phone.measure("document.activeElement.tagName") == "BUTTON":
                break
        phone.follow(lambda: phone.press("Enter"))
        assert "Thank you." in phone.measure("document.body.innerText")
        assert phone.measure("location.search") == "?told=1"
    finally:
        phone.close()
