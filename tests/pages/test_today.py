"""The first page says what is wrong, worst first, and how old that knowledge is."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from sqlalchemy import select, update

from nightround.bootstrap import Program
from nightround.register.log import NewEntry
from nightround.register.recording import record
from nightround.rounds.tonight import reckon_units, run_owed
from nightround.store.tables import cases, conditions, ledger, units
from tests.conftest import Clock

from ..letters.post.build import letter, post
from .conftest import NewVisitor, words


def section(text: str, name: str) -> str:
    found = re.search(rf'<section aria-labelledby="{name}">(.*?)</section>', text, re.S)
    assert found, name
    return " ".join(re.sub(r"<[^>]+>", " ", found[1]).split())


def test_what_is_wrong_comes_worst_first(settled: Program, visitor: NewVisitor) -> None:
    answer = visitor(settled, "P1").get("/")
    text = words(answer)
    order = [
        "2 not to be relied on MILL-02",
        "3 overdue MILL-02",
        "2 order now",
        "open to be done by",
        "3 not recorded",
    ]
    places = [text.index(words_) for words_ in order]
    assert places == sorted(places)
    assert "2 of 7 units are not to be relied on. Of 1 more there is no evidence." in text
    bad = section(answer.text, "unreliable")
    assert "fitted adult pads past its label date, good to Tue 10 Nov 2026" in bad
    assert "fault since Tue 24 Nov 2026: fault light or beep: every minute" in bad
    assert "Nobody has it" in bad
    late = section(answer.text, "overdue")
    # POOL-01 was last looked at on 2026-10-11; a month on is 2026-11-11 (common practice, the house default pack).
    assert "POOL-01" in late and "by Wed 11 Nov 2026 14 days over" in late
    # The battery good to 2027-02-14, a Sunday: three months before is 2026-11-14, a Saturday, so Friday 13.
    assert "POOL-02 good to Sun 14 Feb" in section(answer.text, "order-now")
    assert "MILL-03" in section(answer.text, "this-week")
    assert "battery 1" in section(answer.text, "not-recorded")


def test_counts_and_bars_say_the_same(settled: Program, visitor: NewVisitor) -> None:
    html = visitor(settled, "P1").get("/").text
    rows = re.findall(r'is-([a-z-]+)">[^<]*</span></a></th><td class="count">(\d+)</td>.*?width="([\d.]+)"', html, re.S)
    assert [(word, number) for word, number, _ in rows] == [
        ("not-to-be-relied-on", "2"),
        ("no-evidence", "1"),
        ("work-due", "2"),
        ("in-service", "2"),
    ]
    assert [float(width) for *_, width in rows] == [100, 50, 100, 100]


def test_twelve_weeks_ahead_are_counted_by_week(settled: Program, visitor: NewVisitor) -> None:
    html = visitor(settled, "P1").get("/").text
    weeks = re.findall(
        r'<time datetime="([\d-]+)">[^<]*</time> <span class="fine">W(\d+)</span></th>(.*?)</tr>', html, re.S
    )
    assert len(weeks) == 12
    assert (weeks[0][:2], weeks[-1][:2]) == (("2026-11-23", "48"), ("2027-02-08", "6"))
    counted = [re.findall(r'class="count">(\d+)<', row) for *_, row in weeks]
    # MILL-03 was looked at on 29 October: due on Sunday 29 November, in the first week.
    assert counted[0] == ["1", "0"]
    assert counted[-1] == ["0", "1"], "the battery of POOL-02, 14 February 2027, a Sunday"


def test_a_round_older_than_28_hours_is_bad_news_on_top(settled: Program, visitor: NewVisitor, clock: Clock) -> None:
    web = visitor(settled, "P1")
    clock.forward(hours=28)
    assert "Last nightly round for Europe/London: 28 hours ago" in words(web.get("/"))
    assert 'class="stale"' not in web.get("/").text
    clock.forward(minutes=1)
    answer = web.get("/")
    assert answer.text.index('class="stale"') < answer.text.index('id="unreliable"')
    assert "The last nightly round for Europe/London ended 28 hours ago" in words(answer)
    assert "What has come due since is not shown" in words(answer)
    assert 'class="stale"' in web.get("/units/MILL-01").text
    run_owed(settled)
    assert 'class="stale"' not in web.get("/").text


def test_without_any_round_it_says_so(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        conn.execute(ledger.delete())
        conn.execute(conditions.delete())
    text = words(visitor(settled, "P2").get("/"))
    assert "No nightly round has run for Europe/London yet." in text
    assert "Of 4 more there is no evidence" in text
    assert "no evidence 4" in text  # every unit counts under one of the five words


def test_units_that_a_round_set_aside_are_named(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        conn.execute(
            update(ledger)
            .where(ledger.c.zone == "Europe/London")
            .values(findings='[{"unit": "POOL-01", "why": "ValueError: <odd>"}]')
        )
    text = words(visitor(settled, "P4").get("/"))
    assert "1 unit could not be reckoned" in text and "POOL-01 ValueError: <odd>" in text
    assert "could not be reckoned" not in words(visitor(settled, "P2").get("/"))


def test_what_a_withdrawn_unit_owes_does_not_hide_the_rest(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        unit_id = conn.execute(select(units.c.id).where(units.c.unit == "POOL-01")).scalar_one()
        record(conn, NewEntry(unit_id, settled.clock(), "withdrawn", "P1", note="repair"), settled.clock())
    reckon_units(settled, [unit_id])
    answer = visitor(settled, "P1").get("/")
    assert "POOL-01" not in section(answer.text, "overdue")
    assert "What withdrawn units owe is left out here" in words(answer)


def test_somebody_without_sites_is_told_what_to_do(settled_once: Program, visitor: NewVisitor) -> None:
    text = words(visitor(settled_once, "P6").get("/"))
    assert "you are not named for any site. Ask the coordinator." in text
    assert "not to be relied on" not in text


@pytest.mark.parametrize("path", ["/", "/units/MILL-01", "/duties"])
def test_pages_show_no_other_person_s_name_unasked(settled_once: Program, visitor: NewVisitor, path: str) -> None:
    text = words(visitor(settled_once, "P2").get(path))
    assert "Ester" not in text and "example.org" not in text


def test_what_is_wrong_with_the_service_stands_on_top_for_everybody(
    settled: Program, visitor: NewVisitor, clock: Clock
) -> None:
    post(settled, letter("n"))
    for person in ("P1", "P2"):
        assert 'class="trouble"' not in visitor(settled, person).get("/").text
    clock.forward(hours=1)
    for person in ("P1", "P2"):
        answer = visitor(settled, person).get("/")
        assert answer.text.index('class="trouble"') < answer.text.index('<p class="lead"')
        assert "1 letter could not be sent for more than 60 minutes" in words(answer)
        assert "See why with: nightround deliver." in words(answer)


@pytest.mark.parametrize(
    ("person", "said"),
    [
        ("P1", "Held back: 2 letters about 3 cases, to Ada Ferrow, Dev Rana, since"),
        ("P4", "Held back: 2 letters about 3 cases, to Ada Ferrow, Dev Rana, since"),
        ("P2", "Held back: 2 letters about 1 case, since"),
        ("P3", ""),
    ],
)
def test_what_the_limit_of_an_hour_holds_back_is_said_of_the_cases_that_one_may_see(
    settled: Program, visitor: NewVisitor, clock: Clock, person: str, said: str
) -> None:
    """Two an hour for the fleet, both gone at nine: nothing goes about the cases of MILL and POOL, of which none is
    urgent here. There is none at HALL/2, which is all that P3 sees; P2, a contact, is told how much and not who waits.
    """
    settled.settings.cases.fleet_hour = 2
    with settled.store.write() as conn:
        conn.execute(cases.update().values(severity="soon"))
    post(settled, *(replace(letter(name), kind="opening") for name in ("a", "b")))
    # Nor is there a place for a letter that would stand for those.
    post(settled, *(replace(letter(name), kind="escalation") for name in ("c", "d")))
    clock.forward(minutes=20)
    text = words(visitor(settled, person).get("/"))
    if not said:
        assert "Held back" not in text
        return
    assert said in text
    assert "because 2 within an hour are the limit of the fleet (cases.fleet_hour); there is room" in text
    assert "again at Wed 25 Nov 2026, 10:00." in text
    clock.forward(minutes=40)
    assert "Held back" not in words(visitor(settled, person).get("/"))
