"""The count in the subject is the count of the list below, whatever the fleet looks like."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from nightround.letters.content import Content, gather
from nightround.letters.lists import Worst
from nightround.letters.situation import NOT_RECKONED, Owing, UnitNow, Where
from nightround.letters.templates import render
from nightround.settings import Settings

from .build import LOOK, TODAY, at

CONDITIONS = ("in service", "work due", "not to be relied on", "no evidence", "withdrawn", NOT_RECKONED)
STANDINGS = ("ahead", "open", "order now", "overdue", "not recorded")
KINDS = ("look", "test", "battery", "pads-adult")

_duty = st.tuples(
    st.integers(0, 14),  # whose
    st.sampled_from(KINDS),
    st.sampled_from(STANDINGS),
    st.integers(-20, 40),  # last good day, from today
    st.integers(-40, 40),  # opens
)
_fleets = st.tuples(st.lists(st.sampled_from(CONDITIONS), max_size=40), st.lists(_duty, max_size=60))


def where(number: int) -> Where:
    site = f"S{number % 3}"
    return Where(f"U{number:02}", "reception", "", site, f"Site {site}", "", "Europe/London", "Tarnlight Five")


@dataclass
class Made:
    """A situation from plain values."""

    conditions: list[str]
    owed: list[tuple[int, str, str, int, int]]

    def units(self) -> Iterator[UnitNow]:
        for number, condition in enumerate(self.conditions):
            yield UnitNow(where(number), condition, ("fault since 2026-11-24",), TODAY)

    def duties(self) -> Iterator[Owing]:
        for position, (whose, kind, standing, good, opens) in enumerate(sorted(self.owed)):
            day = None if standing == "not recorded" else TODAY + timedelta(days=good)
            key = kind if kind in ("look", "test") else f"{kind}/fitted/{position}"
            opening = TODAY + timedelta(days=opens)
            because = json.dumps([LOOK])
            yield Owing(
                f"u{whose}", where(whose), key, kind, kind, standing, opening, opening, day, None, because, TODAY
            )  # fmt: skip


SETTINGS = Settings()


def words(content: Content) -> tuple[str, str]:
    """Subject and text of a letter with that content."""
    lists = {name: getattr(content, name) for name in Content.__dataclass_fields__ if name != "sources"}
    urls = {name: f"https://example.org/{name}" for name in ("unreliable", "no_evidence", "withdrawn", "overdue")}
    urls |= {
        name: f"https://example.org/{name}" for name in ("order_now", "not_recorded", "this_week", "notices", "all")
    }

    @dataclass
    class Nothing:
        since = None
        any = False

    said = {
        **lists, "owed": content.owed, "quiet": content.quiet, "rules": (), "reckoned_for": None, "week": "2026-W48",
        "by_condition": tuple((bar.number, bar.word) for bar in content.bars), "number": 48, "day": TODAY,
        "zone": "UTC", "late": (), "rounds": (), "last_round": "last round", "set_aside": (), "set_aside_total": 0,
        "changes": Nothing(), "gaps": Nothing(), "roles": ("manager",), "sites": "all sites", "urls": urls,
        "to_come": (), "service_wrong": (), "service_happened": (),
    }  # fmt: skip
    found = render(SETTINGS, "weekly", said, "A", at(9))
    return found.subject, found.text


def named(subject: str, word: str) -> int:
    found = re.search(rf"(\d+) {word}", subject)
    return int(found[1]) if found else 0


def section(text: str, heading: str) -> str:
    """What stands under the heading, up to the next one."""
    lines = text.splitlines()
    for position, line in enumerate(lines[:-1]):
        if re.fullmatch(heading, line) and set(lines[position + 1]) == {"="}:
            rest = lines[position + 2 :]
            ends = [n for n, below in enumerate(rest) if below and set(below) == {"="}]
            return "\n".join(rest[: ends[0] - 1] if ends else rest)
    return ""


def more(text: str) -> int:
    return sum(int(number) for number in re.findall(r"and (\d+) more: ", text))


@given(_fleets)
@settings(max_examples=60)
def test_every_number_in_the_subject_is_that_of_its_list(
    fleet: tuple[list[str], list[tuple[int, str, str, int, int]]],
) -> None:
    content = gather(SETTINGS, Made(*fleet), TODAY)
    subject, text = words(content)
    if not content.units:
        assert subject.startswith("No units on record")
        return
    assert named(subject, "of") == content.in_service
    words_ = ("work due", "not to be relied on", "no evidence", "withdrawn")
    assert named(subject, "of") + sum(named(subject, word) for word in words_) == content.units
    for word, heading, row in (
        ("not to be relied on", r"\d+ units? not to be relied on today", r"^\* "),
        ("overdue", r"\d+ overdue, the longest first", r"^  (Look|Test|Replace)\b.*: "),
        ("this week", r"\d+ to do by .*", r"^  U\d\d, reception: "),
        ("to order", r"\d+ to order now", r"^- "),
    ):
        under = section(text, heading)
        listed = len(re.findall(row, under, re.M))
        assert named(subject, word) == listed + more(under), word
    under = section(text, r"\d+ not recorded")
    by_site = sum(int(number) for number in re.findall(r"^\* (\d+): Site", under, re.M))
    assert named(subject, "not recorded") == by_site + more(under)
    unseen = section(text, r"\d+ units? that no round has reckoned yet")
    unknown = len(re.findall(r"^\* ", section(text, r"\d+ units? without evidence"), re.M))
    unknown += more(section(text, r"\d+ units? without evidence"))
    unknown += len(re.findall(r"U\d\d, Site", unseen)) + sum(
        map(int, re.findall(r"and (\d+) more\.", " ".join(unseen.split())))
    )
    assert named(subject, "no evidence") == unknown


@given(_fleets)
@settings(max_examples=60)
def test_the_lists_hold_what_a_plain_count_finds(fleet: tuple[list[str], list[tuple[int, str, str, int, int]]]) -> None:
    conditions, owed = fleet
    content = gather(SETTINGS, Made(conditions, owed), TODAY)
    by_condition = Counter(conditions)
    by_standing = Counter(standing for _, _, standing, _, _ in owed)
    assert content.units == len(conditions)
    assert content.in_service == by_condition["in service"]
    assert {word: number for number, word in content.conditions} == +(
        by_condition - Counter({NOT_RECKONED: len(conditions)}) + Counter({"no evidence": by_condition[NOT_RECKONED]})
    )
    assert content.unreliable.total == by_condition["not to be relied on"]
    assert content.no_evidence.total == by_condition["no evidence"]
    assert content.withdrawn.total == by_condition["withdrawn"]
    assert content.not_reckoned.total == by_condition[NOT_RECKONED]
    assert content.overdue.total == by_standing["overdue"]
    assert content.order_total == by_standing["order now"]
    assert content.not_recorded.total == by_standing["not recorded"]
    assert content.this_week.total == sum(
        standing in ("ahead", "open", "order now") and good <= 6 for _, _, standing, good, _ in owed
    )
    assert sum(bar.number for bar in content.bars) == len(conditions)
    assert sum(number for number, _ in content.not_recorded_kinds) == content.not_recorded.total


@given(st.lists(st.integers()), st.integers(1, 20))
@settings(max_examples=60)
def test_a_cut_list_keeps_the_first_by_its_order_and_counts_all(numbers: list[int], limit: int) -> None:
    worst: Worst[int] = Worst(limit, key=lambda number: number)
    for number in numbers * 20:
        worst.add(number)
    cut = worst.cut()
    assert list(cut.rows) == sorted(numbers * 20)[:limit]
    assert cut.total == 20 * len(numbers)
    assert cut.more == max(0, 20 * len(numbers) - limit)
