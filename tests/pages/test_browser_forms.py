"""The unit page's forms for notices, reports and fitted parts in a real browser: a phone, a keyboard, the dark, and no
script."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from sqlalchemy import select

from nightround.bootstrap import Program
from nightround.letters import links
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.tables import log
from tests.conftest import Clock
from tests.databases import Templates

from . import fleet
from .browser import Browser
from .test_asked import NOTICE, noticed, used
from .test_browser import CONTRAST, PROGRAM, Served, luminance

PAGE = "/units/MILL-01"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, templates: Templates) -> Iterator[Served]:
    """The fleet with a unit that was used, and that two notices mean, one with a very long name."""
    folder = tmp_path_factory.mktemp("served")
    (folder / "nightround.key").write_bytes(b"k" * 43)
    (folder / "nightround.toml").write_text("", "utf-8")
    store = open_store(templates.copy(folder / "nightround.db"))
    program = Program(load(folder / "nightround.toml"), store, Clock())
    fleet.settle(program)
    used(program)
    noticed(program)
    noticed(program, NOTICE.replace("FSN 7/b", "FSN-LONG-" + "X" * 31).replace("relay", "a-relay-" * 12))
    one = Served(program)
    yield one
    one.close()
    store.close()


@pytest.fixture(scope="module")
def phone(served: Served, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    assert PROGRAM is not None
    one = Browser(PROGRAM, tmp_path_factory.mktemp("profile"))
    one.screen(360)
    one.open(links.personal_url(served.program.settings, "P1", "ada@example.org", served.program.clock()))
    one.measure("document.querySelector('main button').focus()")
    one.follow(lambda: one.press("Enter"))
    one.call("Emulation.setScriptExecutionDisabled", value=True)
    yield one
    one.close()


def newest(served: Served) -> tuple[str, dict[str, str]]:
    with served.program.store.read() as conn:
        row = conn.execute(select(log.c.entry, log.c.readings).order_by(log.c.id.desc()).limit(1)).one()
    return row.entry, json.loads(row.readings)


def tab_to(phone: Browser, selector: str) -> None:
    """Goes there by the keyboard alone."""
    for _ in range(300):
        if phone.measure(f"document.activeElement.matches({json.dumps(selector)})"):
            return
        phone.press("Tab")
    raise AssertionError(f"the keyboard does not reach {selector}")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 1200])
def test_every_form_opened_fits_the_screen_and_can_be_read(
    served: Served, phone: Browser, width: int, dark: bool
) -> None:
    phone.screen(width, dark=dark)
    phone.open(served.base + PAGE)
    # They share a name, so that one opens at a time; all of them are looked at here.
    phone.measure(
        "document.querySelectorAll('details').forEach(one => { one.removeAttribute('name'); one.open = true; })"
    )
    assert phone.measure("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    found = phone.measure(CONTRAST)
    assert any("FSN 7/b" in text for *_, text in found)
    for front, back, text in found:
        light, heavy = sorted((luminance(front), luminance(back)), reverse=True)
        assert (light + 0.05) / (heavy + 0.05) >= 4.5, (front, back, text)
    bare = phone.measure(
        "[...document.querySelectorAll('main input:not([type=hidden]), main select, main textarea')]"
        ".filter(one => !one.labels.length && !one.ariaLabel).map(one => one.outerHTML)"
    )
    assert bare == [], "every field has its label"
    ids = phone.measure("[...document.querySelectorAll('[id]')].map(one => one.id)")
    assert len(ids) == len(set(ids)), sorted(one for one in ids if ids.count(one) > 1)


def test_a_notice_is_answered_on_a_phone_with_the_keyboard_and_without_script(served: Served, phone: Browser) -> None:
    phone.screen(360)
    phone.open(served.base + PAGE)
    wanted = "details:has([value='FSN 7/b'])"
    tab_to(phone, f"{wanted} > summary")
    phone.press(" ")
    assert phone.measure(f"document.querySelector({json.dumps(wanted)}).open")
    tab_to(phone, f"{wanted} select")
    phone.measure("document.activeElement.value = 'underway'")  # how a list opens is the browser's own affair
    tab_to(phone, f"{wanted} button")
    phone.follow(lambda: phone.press("Enter"))
    assert phone.measure("document.querySelector('#recorded').textContent.includes('Recorded')")
    assert newest(served) == ("reported", {"notice": "FSN 7/b", "stage": "underway"})


def test_the_report_for_one_rule_is_recorded_on_a_phone_without_script(served: Served, phone: Browser) -> None:
    phone.screen(360)
    phone.open(served.base + PAGE)
    tab_to(phone, "details:has(#about) > summary")
    phone.press(" ")
    tab_to(phone, "#about")
    phone.measure("document.activeElement.value = 'rule/house-report-use'")
    tab_to(phone, "details:has(#about) button")
    phone.follow(lambda: phone.press("Enter"))
    assert newest(served) == ("reported", {"about": "use", "rule": "house-report-use"})


def test_what_was_wrong_is_shown_with_the_form_open_and_what_was_typed_in_it(served: Served, phone: Browser) -> None:
    phone.screen(360)
    phone.open(served.base + PAGE)
    wanted = "details:has([value^='FSN-LONG'])"
    tab_to(phone, f"{wanted} > summary")
    phone.press(" ")
    phone.measure(f"document.querySelector({json.dumps(wanted)} + ' textarea').value = 'seen to'")
    tab_to(phone, f"{wanted} button")
    phone.follow(lambda: phone.press("Enter"))
    assert phone.measure("document.body.innerText.includes('Choose what was done about the notice')")
    assert phone.measure(f"document.querySelector({json.dumps(wanted)}).open")
    assert phone.measure(f"document.querySelector({json.dumps(wanted)} + ' textarea').value") == "seen to"


def test_no_field_is_cut_off_on_the_narrowest_phone(served: Served, phone: Browser) -> None:
    phone.screen(320)
    phone.open(served.base + PAGE)
    phone.measure(
        "document.querySelectorAll('details').forEach(one => { one.removeAttribute('name'); one.open = true; })"
    )
    boxes = phone.measure(
        "[...document.querySelectorAll('main select, main input:not([type=hidden]), main textarea, main button')]"
        ".map(one => { const box = one.getBoundingClientRect(); return [box.left, box.right, one.outerHTML]; })"
    )
    for left, right, what in boxes:
        assert left >= 0 and right <= 320, (left, right, what[:120])
