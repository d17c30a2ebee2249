"""Reads duties for pages: one row a duty with its unit and site, only of sites that the viewer may see."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, select

from ..reckoning.certificates import CERTIFICATE, REFRESHER
from ..reckoning.dates import local_day
from ..reckoning.staffing import CONTACT, RESPONDERS
from ..rounds.private import duties_for
from ..store.tables import duties, sites, units
from .people import Viewer

# Worst first, as in reckoning.md §1.
STANDINGS = ("overdue", "order now", "open", "not recorded", "ahead")
CHECKS = ("look", "test", "inspection", "report-check", "self-test-report")

_WHOSE = {CERTIFICATE: "person", REFRESHER: "person", RESPONDERS: "site", CONTACT: "site"}


@dataclass(frozen=True, slots=True)
class Because:
    """One rule behind a duty. `last_good_day` is the one that this rule alone would give."""

    title: str
    force: str
    source: str
    verified_on: date | None
    last_good_day: date | None
    evidence: str


@dataclass(frozen=True, slots=True)
class Owed:
    """A duty as a page shows it. `today` is the civil day at its site when the page was asked for."""

    unit: str  # "" where a site's own spare part owes it, a person, or a site about its people
    spot: str
    site: str
    site_name: str
    zone: str
    kind: str
    rule: str  # of the report of a use: the one rule that asks for it; "" of any other duty
    subject: str
    standing: str
    opens: date | None
    order_by: date | None
    last_good_day: date | None
    deadline: datetime | None
    role: str
    because: tuple[Because, ...]
    today: date

    @property
    def whose(self) -> str:
        """What it is about where it is of no unit: a person, a site's people, or a spare part."""
        return _WHOSE.get(self.kind, "spare")

    @property
    def days_over(self) -> int:
        """Days since the last good day; 0 or less while it has not passed."""
        return 0 if self.last_good_day is None else (self.today - self.last_good_day).days


def visible(viewer: Viewer, *conditions: ColumnElement[bool]) -> Select[Any]:
    """The query for the duties of the viewer's sites that meet the conditions."""
    return (
        select(
            duties,
            units.c.unit.label("unit_code"),
            units.c.spot,
            sites.c.site,
            sites.c.name.label("site_name"),
            sites.c.time_zone,
        )
        .join(sites, sites.c.id == duties.c.site_id)
        .outerjoin(units, units.c.id == duties.c.unit_id)
        .where(shown_to(viewer), *conditions)
    )


def shown_to(viewer: Viewer) -> ColumnElement[bool]:
    """The condition on duties and their sites: those of the viewer's sites, without other people's certificates."""
    return viewer.sees() & duties_for(viewer.id, viewer.roles)


def by_day(query: Select[Any]) -> Select[Any]:
    """The earliest last good day first, those without one at the end, then by site and unit."""
    return query.order_by(
        duties.c.last_good_day.is_(None), duties.c.last_good_day, sites.c.site, units.c.unit, duties.c.key
    )


def read(conn: Connection, query: Select[Any], now: datetime) -> list[Owed]:
    """The rows of the query."""
    return [_owed(row, now) for row in conn.execute(query)]


def counts(conn: Connection, viewer: Viewer, column: ColumnElement[Any], *conditions: Any) -> list[tuple[str, int]]:
    """How many of the viewer's duties there are for each value of the column."""
    query = (
        select(column, func.count())
        .select_from(duties.join(sites, sites.c.id == duties.c.site_id))
        .where(shown_to(viewer), *conditions)
        .group_by(column)
        .order_by(column)
    )
    return [(value, number) for value, number in conn.execute(query)]


def _owed(row: Any, now: datetime) -> Owed:
    return Owed(
        row.unit_code or "",
        row.spot or "",
        row.site,
        row.site_name or row.site,
        row.time_zone,
        row.kind,
        row.key.partition("/")[2] if row.kind == "report-use" else "",
        row.subject,
        row.standing,
        row.opens,
        row.order_by,
        row.last_good_day,
        row.deadline,
        row.role,
        tuple(_because(said) for said in _listed(row.because)),
        local_day(now, row.time_zone),
    )


def _listed(text: str) -> Sequence[dict[str, Any]]:
    found: Sequence[dict[str, Any]] = json.loads(text)
    return found


def _because(said: dict[str, Any]) -> Because:
    return Because(
        said.get("title") or said["rule"],
        said["force"],
        said["source"],
        _date(said.get("verified_on")),
        _date(said.get("last_good_day")),
        said.get("evidence", ""),
    )


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
