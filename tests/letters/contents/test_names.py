"""Names that break things elsewhere: markup, newlines, encoded words, right-to-left script, very long ones."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from nightround.letters import telling, weekly

from .build import Fleet, Mail, day

MARKUP = "<b>&\"'</b>"
NAMES = [
    MARKUP,
    "Pool\r\nBcc: thief@example.org",
    "A =?UTF-8?Q?=0A?=Bcc: thief@example.org",
    "line\u2028separator\u0000null",
    "מרכז קהילתי א׳",
    "مركز النخيل \u202e gnp.exe",
    "a" * 998,
    "{{ 7 * 7 }}{% raw %}",
    "さくら坂市民会館 🏊",
]


def letters(fleet: Fleet, name: str) -> list[Mail]:
    """A weekly letter, an escalation and an opening letter in which the name stands wherever one can."""
    words = {"name": name, "address": name}
    fleet.site("MILL", **words)
    fleet.person("A", "coordinator", whole=True, name=name)
    fleet.person("C", "on-call site-contact", ["MILL"], name=name)
    fleet.round_done()
    fleet.unit("M1", "MILL", "not to be relied on", f"fault since 2026-11-24: {name}", spot=name, floor=name)
    fleet.unit("M2", "MILL", "no evidence", name, spot=name, model=name[:120])
    fleet.unit("M3", "MILL", "withdrawn", name, spot=name)
    fleet.case("M1", "not-to-be-relied-on", reason=f"fault since 2026-11-24: {name}")
    fleet.case("M2", imported=True)
    rule = {"rule": "r", "title": name, "force": "house", "source": name, "verified_on": None, "evidence": name}
    fleet.duty("M2", "look", "overdue", day(-3), because=[rule])
    fleet.duty("M1", "battery", "order now", day(50), order_by=day(-3), because=[rule])
    fleet.duty("M1", "test", "open", day(3), because=[rule])
    fleet.duty("M2", "battery", "not recorded", None, because=[rule])
    weekly.post_owed(fleet.program, fleet.program.clock())
    telling.sweep(fleet.program, fleet.program.clock())
    found = fleet.mail()
    assert {mail.kind for mail in found} == {"weekly", "escalation", "opening"}
    return found


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def tags(html: str) -> _Tags:
    parser = _Tags()
    parser.feed(html)
    return parser


def test_markup_in_every_field_comes_out_as_text(sqlite_fleet: Fleet) -> None:
    plain = {mail.key: tags(mail.html).tags for mail in letters(sqlite_fleet, "Plain")}
    sqlite_fleet.clear()
    for mail in letters(sqlite_fleet, MARKUP):
        parsed = tags(mail.html)
        # Not one tag more than with a plain name.
        assert parsed.tags.count("b") == plain[mail.key].count("b")
        assert MARKUP in "".join(parsed.text)
        assert MARKUP in mail.text


@pytest.mark.parametrize("name", NAMES)
def test_no_name_adds_a_header_or_breaks_a_letter(sqlite_fleet: Fleet, name: str) -> None:
    expected = {
        "weekly": {"List-Unsubscribe"},
        "escalation": set(),
        "opening": set(),
    }
    for mail in letters(sqlite_fleet, name):
        headers = set(mail.message.keys()) - expected[mail.kind]
        assert headers <= {
            "From", "To", "Subject", "Date", "Message-ID", "List-Id", "Auto-Submitted", "X-Auto-Response-Suppress",
            "MIME-Version", "Content-Type",
        }  # fmt: skip
        assert "\u202e" not in mail.text + mail.html + mail.subject
        assert "\u0000" not in mail.text
        assert all(len(line) <= 998 for line in mail.message.as_bytes().splitlines())


def test_a_right_to_left_name_stands_by_itself_in_html(sqlite_fleet: Fleet) -> None:
    name = "מרכז קהילתי א׳"
    for mail in letters(sqlite_fleet, name):
        assert re.search(rf'dir="auto"[^>]*>M[12], {name}<', mail.html)


def test_a_template_in_a_name_is_not_run(sqlite_fleet: Fleet) -> None:
    for mail in letters(sqlite_fleet, "{{ 7 * 7 }}"):
        assert "{{ 7 * 7 }}" in mail.text
        assert "49" not in mail.subject
