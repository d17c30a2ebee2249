"""Records on which days a person is away and a site is closed, and takes such records out again.

Both days count in, the last too. Nothing here moves a date: what is owed stays owed. Whether a case waits for a site to
open is decided when the site is reckoned, so that a closure leaves marks; who is away is asked at each telling anew.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Table, delete, insert, select

from ..errors import UserError
from ..reckoning.dates import add_months
from ..store import marks
from ..store.database import raise_version
from ..store.tables import absences, closures, people, sites, units

LONGEST_AWAY_MONTHS = 24
_NOTE = 500
_LAST_YEAR = 2999


def wrong_absence(from_on: date, until_on: date) -> str:
    """Why these cannot be the first and last day of an absence; empty where they can."""
    if until_on < from_on:
        return f"the last day, {until_on}, lies before the first, {from_on}; correct one of the two"
    if too_far := _too_far(from_on, until_on):
        return too_far
    if until_on > add_months(from_on, LONGEST_AWAY_MONTHS):
        return f"{from_on} to {until_on} is longer than two years; correct the year, or take the person's roles away"
    return ""


def _too_far(*days: date | None) -> str:
    """Why one of the days is no use: it lies where the calendar ends. Empty where none does."""
    far = [day for day in days if day is not None and day.year > _LAST_YEAR]
    return f"{far[0]} is too far off; correct the year" if far else ""


def wrong_closure(from_on: date, until_on: date | None, every_year: bool) -> str:
    """Why these cannot be the first and last day of a closure; empty where they can."""
    if until_on is not None and until_on < from_on:
        return f"the last day, {until_on}, lies before the first, {from_on}; correct one of the two"
    if too_far := _too_far(from_on, until_on):
        return too_far
    if every_year and until_on is None:
        return "a closure of every year needs its last day"
    if every_year and until_on is not None and until_on >= add_months(from_on, 12):
        return f"{from_on} to {until_on} is a year or more, so it cannot come again every year; correct one of the days"
    return ""


def add_absence(conn: Connection, person: str, from_on: date, until_on: date, note: str = "") -> int:
    """Records that a person is away from the first to the last of the days, and gives the record's number.

    Raises UserError where the person is unknown, the days cannot be, or a record begins on that day already.
    """
    person_id = conn.execute(select(people.c.id).where(people.c.person == person)).scalar_one_or_none()
    if person_id is None:
        raise UserError(f"person {person!r} is not in the register; give the person's code")
    _refuse(wrong_absence(from_on, until_on))
    row = {"person_id": person_id, "from_on": from_on, "until_on": until_on, "note": _clean(note)}
    return _add(conn, absences, row, "person_id", f"person {person}", "nightround away --remove")


def add_closure(
    conn: Connection,
    site: str,
    from_on: date,
    until_on: date | None,
    *,
    now: datetime,
    every_year: bool = False,
    reason: str = "",
) -> int:
    """Records that a site is closed from the first to the last of the days (None: until the record is taken out), once
    or every year from then on, and gives the record's number. Raises UserError as `add_absence` does."""
    site_id = conn.execute(select(sites.c.id).where(sites.c.site == site)).scalar_one_or_none()
    if site_id is None:
        raise UserError(f"site {site!r} is not in the register; give the site's code")
    _refuse(wrong_closure(from_on, until_on, every_year))
    row = {"site_id": site_id, "from_on": from_on, "until_on": until_on}
    row |= {"every_year": every_year, "reason": _clean(reason)}
    number = _add(conn, closures, row, "site_id", f"site {site}", "nightround close-site --remove")
    _mark(conn, site_id, now)
    return number


def remove_absence(conn: Connection, number: int, person_id: int | None = None) -> None:
    """Takes an absence out; with `person_id`, only one of that person's. Raises UserError where there is no such."""
    query = delete(absences).where(absences.c.id == number)
    if person_id is not None:
        query = query.where(absences.c.person_id == person_id)
    if conn.execute(query).rowcount != 1:
        raise UserError(f"there is no absence {number}; see the numbers with: nightround away --list")
    raise_version(conn)


def remove_closure(conn: Connection, number: int, now: datetime) -> str:
    """Takes a closure out and gives the site's code. Raises UserError where there is no such."""
    query = select(sites.c.id, sites.c.site).join(closures, closures.c.site_id == sites.c.id)
    site = conn.execute(query.where(closures.c.id == number)).first()
    if site is None:
        raise UserError(f"there is no closure {number}; see the numbers with: nightround close-site --list")
    conn.execute(delete(closures).where(closures.c.id == number))
    _mark(conn, site.id, now)
    return str(site.site)


def _mark(conn: Connection, site_id: int, now: datetime) -> None:
    here = conn.execute(select(units.c.id).where(units.c.site_id == site_id)).scalars().all()
    marks.leave(conn, now, units=here, sites=[site_id])


def _add(conn: Connection, table: Table, row: dict[str, Any], owner: str, who: str, cure: str) -> int:
    there = conn.execute(
        select(table.c.id).where(table.c[owner] == row[owner], table.c.from_on == row["from_on"])
    ).scalar_one_or_none()
    if there is not None:
        raise UserError(f"{who} has a record from {row['from_on']} on already; take it out first: {cure} {there}")
    made = conn.execute(insert(table).values(row)).inserted_primary_key
    assert made is not None
    raise_version(conn)
    return int(made[0])


def _refuse(wrong: str) -> None:
    if wrong:
        raise UserError(wrong)


def _clean(text: str) -> str:
    shown = " ".join(text.split())
    if len(shown) > _NOTE:
        raise UserError(f"the note is {len(shown)} characters long; {_NOTE} are the most")
    return "".join(char for char in shown if char.isprintable())
