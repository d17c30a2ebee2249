"""Absences of people and closures of sites as a file tells of them, against those on record."""

from __future__ import annotations

from datetime import date
from itertools import chain
from typing import Any

from sqlalchemy import select

from ...store.tables import absences, closures
from ..days_off import wrong_absence, wrong_closure
from ..found import Row
from .comparison import Comparison, day, text
from .known import Columns


def compare_absences(comparison: Comparison) -> None:
    """Plans new and changed absences; one is known by its person and first day. Those left out stay."""
    rows = comparison.rows("absences")
    if not rows:
        return
    ids = {row["id"]: code for code, row in comparison.known.people.items()}
    held: dict[tuple[str, date], Columns] = {}
    for found in comparison.known.conn.execute(select(absences)).mappings():
        held[ids[found["person_id"]], found["from_on"]] = dict(found)
    seen: dict[tuple[str, date], Row] = {}
    for row in rows:
        person, first, last = text(row, "person"), day(row, "from"), day(row, "until")
        if not person or first is None or last is None:
            continue
        if comparison.person(person) is None:
            everybody = chain(comparison.people, comparison.known.people)
            cure = "tell of them in a sheet or file 'people', or correct the code"
            comparison.unknown(row, "person", "people", person, everybody, cure)
            continue
        if wrong := wrong_absence(first, last):
            comparison.problem(row, "until", wrong)
            continue
        _plan(comparison, "absences", row, (person, first), seen, held, {"until_on": last} | _told(row, "note", "note"))
    _left_out(comparison, "absences", seen, held)


def compare_closures(comparison: Comparison) -> None:
    """Plans new and changed closures; one is known by its site and first day. Those left out stay."""
    rows = comparison.rows("closures")
    if not rows:
        return
    held: dict[tuple[str, date], Columns] = {}
    for found in comparison.known.conn.execute(select(closures)).mappings():
        held[comparison.known.site_codes[found["site_id"]], found["from_on"]] = dict(found)
    seen: dict[tuple[str, date], Row] = {}
    for row in rows:
        site, first = text(row, "site"), day(row, "from")
        if not site or first is None:
            continue
        if not comparison.has_site(site):
            known = chain(comparison.zones, comparison.known.sites)
            cure = "tell of it in a sheet or file 'sites', or correct the code"
            comparison.unknown(row, "site", "sites", site, known, cure)
            continue
        old = held.get((site, first), {"until_on": None, "every_year": False})
        last = day(row, "until") if "until" in row.values else old["until_on"]
        yearly = row.values["every_year"] == "yes" if "every_year" in row.values else old["every_year"]
        if wrong := wrong_closure(first, last, yearly):
            comparison.problem(row, "until" if "until" in row.headings else "from", wrong)
            continue
        after = {"until_on": last, "every_year": yearly} | _told(row, "reason", "reason")
        _plan(comparison, "closures", row, (site, first), seen, held, after)
    _left_out(comparison, "closures", seen, held)


def _told(row: Row, name: str, column: str) -> Columns:
    return {column: text(row, name)} if name in row.values else {}


def _plan(
    comparison: Comparison,
    table: str,
    row: Row,
    key: tuple[str, date],
    seen: dict[tuple[str, date], Row],
    held: dict[tuple[str, date], Columns],
    told: Columns,
) -> None:
    if key in seen:
        comparison.twice(row, "from", seen[key])
        return
    seen[key] = row
    owner, text_column = ("person", "note") if table == "absences" else ("site", "reason")
    nothing: dict[str, Any] = {"until_on": None, text_column: ""}
    old = held.get(key)
    after = nothing | (old or {}) | {owner: key[0], "from_on": key[1]} | told
    shown = f"{key[0]} from {key[1]}"
    if old is None:
        comparison.new(table, shown, after)
    elif comparison.compare(table, shown, old, after, tuple(told)):
        comparison.change(table, after)
    else:
        return
    if table == "closures":
        comparison.plan.sites.add(key[0])  # what waits for a closed site is decided when its units are reckoned


def _left_out(
    comparison: Comparison,
    table: str,
    seen: dict[tuple[str, date], Row],
    held: dict[tuple[str, date], Columns],
) -> None:
    """Names the records, not yet over, of which the file says nothing."""
    today = comparison.now.date()
    found = False
    for key, columns in sorted(held.items(), key=lambda item: item[0]):
        over = not columns.get("every_year") and columns["until_on"] is not None and columns["until_on"] < today
        if key not in seen and not over:
            comparison.missing(table, f"{key[0]} from {key[1]}")
            found = True
    if found:
        command = "away" if table == "absences" else "close-site"
        comparison.remark(f"{table}: a record that the file leaves out stays; take it out with: nightround {command}")
