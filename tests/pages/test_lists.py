"""Duties, units and sites: filters, pages, and words where there is nothing."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.rounds.tonight import reckon_units
from nightround.store.tables import sites, units

from .conftest import NewVisitor, words


def rows(html: str) -> list[str]:
    body = re.search(r"<tbody.*?</tbody>", html, re.S)
    if body is None:
        return []
    return [" ".join(re.sub(r"<[^>]+>", " ", row).split()) for row in re.findall(r"<tr.*?</tr>", body[0], re.S)]


def test_duties_come_earliest_first_and_those_without_a_date_last(settled: Program, visitor: NewVisitor) -> None:
    found = rows(visitor(settled, "P1").get("/duties").text)
    days = [row.startswith("not recorded") for row in found]
    assert days == sorted(days) and days.count(True) == 3
    assert "MILL-02" in found[0] and found[0].startswith("overdue")


CHOSEN: dict[str, set[str]] = {
    "standing=overdue": {"MILL-02", "POOL-01", "POOL-02"},
    "standing=order+now": {"MILL-03", "POOL-02"},
    "site=HALL%2F2": {"VAU 1/b"},
    "site=POOL&kind=look": {"POOL-01", "POOL-02"},
    "kind=battery&until=2027-03-01": {"POOL-02"},
    "kind=battery&standing=not+recorded": {"MILL-04"},
    "site=NOWHERE": set(),
}


def test_duties_are_chosen_by_site_standing_kind_and_day(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    codes = {"MILL-01", "MILL-02", "MILL-03", "MILL-04", "POOL-01", "POOL-02", "VAU 1/b"}
    for query, wanted in CHOSEN.items():
        found = rows(web.get(f"/duties?{query}").text)
        assert {code for code in codes if any(code in row for row in found)} == wanted, query


@pytest.mark.parametrize("query", ["standing=fine", "until=tomorrow", "until=2027-02-30"])
def test_a_filter_that_cannot_be_read_is_refused_in_a_sentence(
    settled_once: Program, visitor: NewVisitor, query: str
) -> None:
    answer = visitor(settled_once, "P1").get(f"/duties?{query}")
    assert answer.status_code == 400
    assert "write it as" in words(answer) or "use one of" in words(answer)


def test_an_empty_list_does_not_say_that_all_is_well(settled_once: Program, visitor: NewVisitor) -> None:
    text = words(visitor(settled_once, "P3").get("/duties?standing=overdue"))
    assert "That is only as good as what is recorded" in text


def test_long_lists_come_a_page_at_a_time_and_keep_their_filter(settled: Program, visitor: NewVisitor) -> None:
    with settled.store.write() as conn:
        site_id = conn.execute(select(sites.c.id).where(sites.c.site == "POOL")).scalar_one()
        conn.execute(
            insert(units),
            [{"unit": f"X{n:03}", "site_id": site_id, "label": f"x{n}", "spot": "s"} for n in range(120)],
        )
        ids = list(conn.execute(select(units.c.id).where(units.c.unit.like("X%"))).scalars())
    reckon_units(settled, ids)
    web = visitor(settled, "P1")
    first = web.get("/duties?site=POOL&kind=look")
    assert "1 to 100 shown" in words(first) and len(rows(first.text)) == 100
    after = re.search(r'rel="next" href="([^"]+)"', first.text)
    assert after
    second = web.get(after[1].replace("&amp;", "&"))
    assert len(rows(second.text)) == 22 and 'rel="next"' not in second.text
    assert not set(rows(first.text)) & set(rows(second.text))
    assert len(rows(web.get("/units").text)) == 100
    assert len(rows(web.get("/units?page=2").text)) == 27
    assert web.get("/units?page=999").status_code == 200


FOUND = {
    "mill-0": 4,
    "HARBOUR": 2,
    "TF000003": 1,
    "fountain": 1,
    "Vaubrune": 1,
    "%": 0,
    "_": 0,
    "\\": 0,
    "' or 1=1": 0,
}


def test_units_are_found_by_what_is_known_of_them(settled: Program, visitor: NewVisitor) -> None:
    web = visitor(settled, "P1")
    for find, wanted in FOUND.items():
        assert len(rows(web.web.get("/units", params={"find": find}).text)) == wanted, find


def test_units_are_listed_worst_first(settled: Program, visitor: NewVisitor) -> None:
    found = rows(visitor(settled, "P1").get("/units").text)
    heads = [
        "not to be relied on",
        "not to be relied on",
        "no evidence",
        "work due",
        "work due",
        "in service",
        "in service",
    ]
    assert [row.startswith(head) for row, head in zip(found, heads, strict=True)] == [True] * 7
    only = rows(visitor(settled, "P1").get("/units?condition=no+evidence").text)
    assert len(only) == 1 and "MILL-04" in only[0]
    assert visitor(settled, "P1").get("/units?condition=splendid").status_code == 400


def test_a_site_shows_its_units_duties_spares_and_people(settled: Program, visitor: NewVisitor) -> None:
    text = words(visitor(settled, "P2").get("/sites/MILL"))
    assert "4 units" in text and "3 to be done" in text
    assert "adult pads, lot L2210: good to Fri 31 Mar 2028" in text
    assert "Ben Oakes, site contact, +44 1632 960 001" in text and "Dev Rana, on call" in text
    assert "Ada Ferrow" not in text, "people of the whole fleet are not listed at each site"
    assert "not recorded: battery (1)" in text


def test_sites_are_listed_with_their_units_by_condition(settled: Program, visitor: NewVisitor) -> None:
    found = rows(visitor(settled, "P1").get("/sites").text)
    assert found[0].startswith("Mill Lane School") and "1 not to be relied on 1 no evidence" in found[0]
    assert found[-1].startswith("Salle des fêtes") and "1 in service" in found[-1]


def test_codes_with_slashes_and_blanks_have_working_links(settled_once: Program, visitor: NewVisitor) -> None:
    web = visitor(settled_once, "P1")
    assert 'href="/units/VAU%201%2Fb"' in web.get("/sites/HALL%2F2").text
    page = web.get("/units/VAU%201%2Fb")
    assert page.status_code == 200 and 'action="/units/VAU%201%2Fb/log"' in page.text
    sent = web.send("/units/VAU%201%2Fb", "/units/VAU%201%2Fb/log", entry="check", self_test="ok")
    assert sent.headers["location"].startswith("/units/VAU%201%2Fb?done=")
