"""People, their certificates and the rota as a file tells of them, against those on record."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime
from itertools import chain
from typing import Any

from sqlalchemy import select

from ...store.tables import rota, training
from ..changes import shown
from ..found import LabelDate, Row
from ..vocabulary import ROLES
from .comparison import Comparison, day, merged, text, to_utc
from .known import Columns

FIELDS: tuple[tuple[str, Any], ...] = (
    ("name", ""),
    ("email", ""),
    ("phone", ""),
    ("language", ""),
    ("time_zone", ""),
    ("left_on", None),
)
_COMPARED = (*(name for name, _ in FIELDS), "roles", "sites")
_FLEET_ROLES = {"coordinator", "manager", "on-call"}
_ALL = "*"
_SEPARATORS = (", ", ",", "; ", ";", "、", "，")


def compare_people(comparison: Comparison) -> None:
    """Plans new and changed people, and notes those that the file does not tell of."""
    rows = comparison.rows("people")
    seen: dict[str, Row] = {}
    idle = []
    for row in rows:
        code = text(row, "person")
        if not code:
            continue
        if code in seen:
            comparison.twice(row, "person", seen[code])
            continue
        seen[code] = row
        person = _take(comparison, code, row)
        if not person["roles"]:
            idle.append(f"{code} has no role")
        elif not person["whole_fleet"] and not person["sites"]:
            idle.append(f"{code} has no site")
    if idle:
        more = " …" if len(idle) > 20 else ""
        comparison.remark(f"nothing is asked of or told to: {', '.join(idle[:20])}{more}; a site of * is every site")
    if rows and not comparison.reading.source:
        for code in comparison.known.people:
            if code not in seen:
                comparison.missing("people", code)


def _take(comparison: Comparison, code: str, row: Row) -> Columns:
    old = comparison.known.people.get(code)
    nothing = {**dict(FIELDS), "person": code, "whole_fleet": False, "roles": (), "sites": ()}
    before = {**old, "roles": _in_order(old["roles"]), "sites": _sites_of(old)} if old else nothing
    after = merged(row, before, FIELDS)
    if "roles" in row.values:
        told = row.values["roles"]
        after["roles"] = _in_order(told if isinstance(told, tuple) else ())
    sites = tuple(site for site in before["sites"] if site != _ALL)
    whole = bool(before["whole_fleet"])
    if "sites" in row.values:
        told = row.values["sites"]
        sites = _known_sites(comparison, row, told if isinstance(told, tuple) else ())
        whole = _ALL in sites
    # Whoever leads, or is on call, does so for the whole fleet where no site is named.
    whole = whole or (not sites and bool(_FLEET_ROLES & set(after["roles"])))
    after["whole_fleet"] = whole
    after["sites"] = (_ALL,) if whole else tuple(sorted(set(sites)))
    comparison.people[code] = after
    if old is None:
        comparison.new("people", code, after)
    else:
        moved = comparison.compare("people", code, before, after, _COMPARED)
        if not moved:
            return after
        comparison.change("people", after)
        if "left_on" in moved or (after["left_on"] is not None and {"time_zone", "sites"} & set(moved)):
            comparison.plan.witnesses.add(code)
    comparison.plan.roles[code] = after["roles"]
    comparison.plan.person_sites[code] = () if whole else after["sites"]
    return after


def _in_order(roles: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(roles, key=ROLES.index))


def _sites_of(person: Columns) -> tuple[str, ...]:
    return (_ALL,) if person["whole_fleet"] else tuple(sorted(person["sites"]))


def _known_sites(comparison: Comparison, row: Row, told: Sequence[str]) -> tuple[str, ...]:
    """The sites named. A code with a comma in it has come apart in the list; it is put together again."""
    found, place = [], 0
    while place < len(told):
        code, end = _longest(comparison, told, place)
        if code != _ALL and not comparison.has_site(code):
            sites = chain(comparison.zones, comparison.known.sites)
            cure = "tell of it in a sheet or file 'sites', or correct the code"
            comparison.unknown(row, "sites", "sites", code, sites, cure)
        else:
            found.append(code)
        place = end
    return tuple(found)


def _longest(comparison: Comparison, told: Sequence[str], place: int) -> tuple[str, int]:
    for end in range(min(len(told), place + 6), place + 1, -1):
        for separator in _SEPARATORS:
            code = separator.join(told[place:end])
            if comparison.has_site(code):
                return code, end
    return told[place], place + 1


def compare_training(comparison: Comparison) -> None:
    """Plans new and changed certificates. One on record without a day of issue is the same one once the day is told."""
    rows = comparison.rows("training")
    if not rows:
        return
    held: dict[tuple[str, str], dict[date | None, Columns]] = {}
    ids = {row["id"]: code for code, row in comparison.known.people.items()}
    for found in comparison.known.some(select(training.c.person_id, training), list(ids)):
        columns = dict(found._mapping)
        held.setdefault((ids[columns["person_id"]], columns["certificate"]), {})[columns["issued_on"]] = columns
    undated = {(text(row, "person"), text(row, "certificate")) for row in rows if day(row, "issued_on") is None}
    seen: dict[tuple[str, str, date | None], Row] = {}
    for row in rows:
        person, certificate, issued_on = text(row, "person"), text(row, "certificate"), day(row, "issued_on")
        if not person or not certificate or not _is_known(comparison, row, "person", person):
            continue
        if (person, certificate, issued_on) in seen:
            comparison.twice(row, "certificate", seen[person, certificate, issued_on])
            continue
        seen[person, certificate, issued_on] = row
        theirs = held.get((person, certificate), {})
        old = theirs.pop(issued_on, None)
        if old is None and (person, certificate) not in undated:
            old = theirs.pop(None, None)
        _certificate(comparison, row, f"{person} {certificate}", old, issued_on)


def _certificate(comparison: Comparison, row: Row, key: str, old: Columns | None, issued_on: date | None) -> None:
    after: Columns = dict(old) if old else {"valid_to": "", "last_good_day": None}
    after["certificate"] = text(row, "certificate")
    after["issued_on"] = issued_on
    if "valid_to" in row.values:
        told = row.values["valid_to"]
        good = told.last_good_day if isinstance(told, LabelDate) else None
        if old is None or good != old["last_good_day"]:
            after["valid_to"] = told.raw if isinstance(told, LabelDate) else ""
            after["last_good_day"] = good
    after["person"] = text(row, "person")
    key = f"{key} {shown(old['issued_on'] if old else issued_on)}".strip()
    if old is None:
        comparison.new("training", key, after)
    elif comparison.compare("training", key, old, after, ("issued_on", "valid_to")):
        comparison.change("training", after)


def compare_rota(comparison: Comparison) -> None:
    """Plans new and changed shifts, and notes those on record, still to come, that the file leaves out of its span."""
    rows = comparison.rows("rota")
    if not rows:
        return
    ids = {row["id"]: code for code, row in comparison.known.people.items()}
    held: dict[tuple[str, datetime], Columns] = {}
    for found in comparison.known.some(select(rota.c.person_id, rota), list(ids)):
        columns = dict(found._mapping)
        held[ids[columns["person_id"]], columns["from_at"]] = columns
    seen: dict[tuple[str, datetime], Row] = {}
    local: dict[str, set[str]] = {}
    for row in rows:
        person, start, end = text(row, "person"), row.values.get("from"), row.values.get("until")
        if not person or not isinstance(start, datetime) or not isinstance(end, datetime):
            continue
        if not _is_known(comparison, row, "person", person):
            continue
        zone, told = _zone_of(comparison, person)
        if not told and (start.tzinfo is None or end.tzinfo is None):
            local.setdefault(zone, set()).add(person)
        start, end = to_utc(start, zone), to_utc(end, zone)
        if end < start:
            comparison.problem(row, "until", f"lies before {row.headings.get('from', 'from')}; correct one of the two")
            continue
        if (person, start) in seen:
            comparison.twice(row, "from", seen[person, start])
            continue
        seen[person, start] = row
        _shift(comparison, person, start, end, held.get((person, start)))
    for zone, people in sorted(local.items()):
        comparison.remark(f"rota: times without a zone are read as {zone} for {', '.join(sorted(people)[:20])}")
    _left_out(comparison, seen, held)


def _shift(comparison: Comparison, person: str, start: datetime, end: datetime, old: Columns | None) -> None:
    after: Columns = {**(old or {}), "person": person, "from_at": start, "until_at": end}
    key = f"{person} from {_minute(start)}"
    if old is None:
        comparison.new("rota", key, after)
    elif comparison.compare("rota", key, old, after, ("until_at",)):
        comparison.change("rota", after)


def _left_out(
    comparison: Comparison, seen: Collection[tuple[str, datetime]], held: dict[tuple[str, datetime], Columns]
) -> None:
    starts = [start for _, start in seen]
    if not starts:
        return
    first, last = min(starts), max(starts)
    found = False
    for (person, start), columns in sorted(held.items()):
        ahead = columns["until_at"] > max(comparison.now, start)
        if (person, start) not in seen and ahead and first <= start <= last:
            comparison.missing("rota", f"{person} from {_minute(start)}")
            found = True
    if found:
        comparison.remark(
            "rota: a shift that is on record stays; to take one out, write it with the same time in 'from' and 'until'"
        )


def _zone_of(comparison: Comparison, person: str) -> tuple[str, bool]:
    """The zone of a person's local times, and whether a file says it: their own, else the one that all their sites
    keep, else that of the settings."""
    columns = comparison.person(person) or {}
    if columns.get("time_zone"):
        return str(columns["time_zone"]), True
    sites: Iterable[str] = [site for site in columns.get("sites", ()) if site != _ALL]
    if columns.get("whole_fleet"):
        sites = {*comparison.zones, *comparison.known.sites}
    zones = {comparison.zone_of(site) for site in sites}
    if len(zones) == 1:
        return zones.pop(), False
    return comparison.reading.defaults.get("time_zone", "UTC"), False


def _is_known(comparison: Comparison, row: Row, name: str, person: str) -> bool:
    if comparison.person(person) is not None:
        return True
    people = chain(comparison.people, comparison.known.people)
    cure = "tell of them in a sheet or file 'people', or correct the code"
    comparison.unknown(row, name, "people", person, people, cure)
    return False


def _minute(at: datetime) -> str:
    return at.isoformat(timespec="minutes").replace("+00:00", "Z")
