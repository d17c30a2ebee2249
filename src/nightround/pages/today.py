"""The first page: what is wrong today at the viewer's sites, worst first, with the age of the last round on top.

It shows what the last round found and reckons nothing itself. Lists are cut short; the counts never are.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, or_, select
from starlette.responses import Response

from ..letters.held import held_back
from ..reckoning.dates import local_day
from ..rounds.troubles import troubles
from ..store.tables import conditions, duties, sites
from . import owing
from .bars import Bar, bars
from .doors import Visit
from .fleet_state import CONDITIONS, rounds, set_aside, units_by_condition, zone_of
from .look import say_instant
from .matters import OpenCase, case_counts, cases_by_unit, seen_by, unreliable
from .on_call import on_call
from .owing import CHECKS, Owed
from .people import Viewer

# Matters shown one by one, and duties gathered into lines, before the page points to the full list.
SHOWN = 12
GATHERED = 200
WEEKS = 12


@dataclass(frozen=True, slots=True)
class Overdue:
    """A unit (or a site's spares) with what is overdue there, the longest first, and its open case."""

    first: Owed
    owed: tuple[Owed, ...]
    case: OpenCase | None


@dataclass(frozen=True, slots=True)
class Gathered:
    """Duties of one kind at one site, or of one kind anywhere, in one line."""

    kind: str
    site: str
    site_name: str
    owed: tuple[Owed, ...]


def show(visit: Visit) -> Response:
    """The page."""
    viewer, now = visit.known, visit.now
    with visit.program.store.read() as conn:
        today = local_day(now, zone_of(conn, viewer, visit.program.settings))
        by_condition = units_by_condition(conn, viewer)
        working = or_(conditions.c.condition.is_(None), conditions.c.condition != "withdrawn")
        standings = _standings(conn, viewer, working)
        week_end = today + timedelta(days=6)
        overdue = _overdue(conn, viewer, working, now)
        order_now = _duties(conn, viewer, now, working, duties.c.standing == "order now", first=duties.c.order_by)
        this_week = _duties(conn, viewer, now, working, _due_within(week_end), first=sites.c.site)
        open_total, taken_total = case_counts(conn, viewer, now)
        content: dict[str, Any] = {
            "today": today,
            "rounds": rounds(conn, viewer, now),
            "troubles": troubles(conn, visit.program.settings, now, full=visit.program.store.full),
            "set_aside": set_aside(conn, viewer),
            "held_back": _held_back(conn, visit),
            "on_call": on_call(conn, viewer, visit.program.settings, now),
            "units_by_condition": by_condition,
            "unreliable": unreliable(conn, viewer, now, SHOWN),
            "overdue": overdue,
            "overdue_shown": sum(len(unit.owed) for unit in overdue),
            "overdue_total": standings.get("overdue", 0),
            "order_now": _gathered(order_now, by_site=False),
            "order_now_shown": len(order_now),
            "order_now_total": standings.get("order now", 0),
            "this_week": _gathered(this_week, by_site=True),
            "this_week_shown": len(this_week),
            "this_week_total": _this_week_total(conn, viewer, working, week_end),
            "week_end": week_end,
            "not_recorded": _not_recorded(conn, viewer, working),
            "not_recorded_total": standings.get("not recorded", 0),
            "cases_total": open_total,
            "cases_free": open_total - taken_total,
            "weeks": _weeks(conn, viewer, working, today),
        }
    fleet = [(word, by_condition[word]) for word in CONDITIONS if by_condition.get(word)]
    content["condition_bars"] = bars([Bar(word, word.replace(" ", "-"), number) for word, number in fleet])
    content["total"] = sum(by_condition.values())
    return visit.page("today.html", **content)


def _held_back(conn: Connection, visit: Visit) -> str:
    """What the limits of an hour hold back of the cases that the viewer may see, by their clock; else ""."""
    found = held_back(conn, visit.program.settings, visit.now, seen_by(visit.known))
    if found is None:
        return ""
    zone = zone_of(conn, visit.known, visit.program.settings)
    named = visit.known.looks_after or "manager" in visit.known.roles
    return f"{found.line(lambda at: say_instant(at, zone), named=named)}."


def _standings(conn: Connection, viewer: Viewer, working: ColumnElement[bool]) -> dict[str, int]:
    query = (
        select(duties.c.standing, func.count())
        .select_from(_joined())
        .where(owing.shown_to(viewer), working)
        .group_by(duties.c.standing)
    )
    return {row[0]: row[1] for row in conn.execute(query)}


def _joined() -> Any:
    return duties.join(sites, sites.c.id == duties.c.site_id).outerjoin(
        conditions, conditions.c.unit_id == duties.c.unit_id
    )


def _mine(viewer: Viewer, *conditions_: ColumnElement[bool]) -> Any:
    return owing.visible(viewer, *conditions_).outerjoin(conditions, conditions.c.unit_id == duties.c.unit_id)


def _duties(
    conn: Connection, viewer: Viewer, now: datetime, *wanted: ColumnElement[bool], first: ColumnElement[Any]
) -> list[Owed]:
    query = _mine(viewer, *wanted).order_by(first)
    return owing.read(conn, owing.by_day(query).limit(GATHERED), now)


def _overdue(conn: Connection, viewer: Viewer, working: ColumnElement[bool], now: datetime) -> list[Overdue]:
    """The units with the longest overdue duties first; a site's spares count as one unit."""
    query = owing.by_day(_mine(viewer, working, duties.c.standing == "overdue")).limit(SHOWN * 8)
    gathered: dict[tuple[str, str], list[Owed]] = {}
    for duty in owing.read(conn, query, now):
        gathered.setdefault((duty.site, duty.unit), []).append(duty)
    shown = list(gathered.items())[:SHOWN]
    known = cases_by_unit(conn, viewer, now, [unit for (_, unit), _ in shown if unit])
    return [Overdue(listed[0], tuple(listed), known.get(unit)) for (_, unit), listed in shown]


def _gathered(found: list[Owed], *, by_site: bool) -> list[Gathered]:
    gathered: dict[tuple[str, str], list[Owed]] = {}
    for duty in found:
        gathered.setdefault((duty.site if by_site else "", duty.kind), []).append(duty)
    lines = [Gathered(kind, site, listed[0].site_name, tuple(listed)) for (site, kind), listed in gathered.items()]
    return lines if by_site else sorted(lines, key=lambda line: (-len(line.owed), line.kind))


def _due_within(week_end: date) -> ColumnElement[bool]:
    return (duties.c.standing == "open") & (duties.c.last_good_day <= week_end)


def _this_week_total(conn: Connection, viewer: Viewer, working: ColumnElement[bool], week_end: date) -> int:
    query = select(func.count()).select_from(_joined()).where(owing.shown_to(viewer), working, _due_within(week_end))
    return conn.execute(query).scalar_one()


def _not_recorded(conn: Connection, viewer: Viewer, working: ColumnElement[bool]) -> list[tuple[str, int]]:
    query = (
        select(duties.c.kind, func.count())
        .select_from(_joined())
        .where(owing.shown_to(viewer), working, duties.c.standing == "not recorded")
        .group_by(duties.c.kind)
        .order_by(func.count().desc(), duties.c.kind)
    )
    return [(kind, number) for kind, number in conn.execute(query)]


def _weeks(conn: Connection, viewer: Viewer, working: ColumnElement[bool], today: date) -> list[tuple[date, int, Bar]]:
    """For this week and the eleven after it: its Monday, its ISO number, and what falls due: checks, and parts."""
    monday = today - timedelta(days=today.weekday())
    until = monday + timedelta(weeks=WEEKS)
    is_check = duties.c.kind.in_(CHECKS)
    query = (
        select(duties.c.last_good_day, is_check, func.count())
        .select_from(_joined())
        .where(
            owing.shown_to(viewer),
            working,
            duties.c.standing.in_(("open", "ahead", "order now")),
            duties.c.last_good_day >= monday,
            duties.c.last_good_day < until,
        )
        .group_by(duties.c.last_good_day, is_check)
    )
    checks, others = [0] * WEEKS, [0] * WEEKS
    for good, check, number in conn.execute(query):
        (checks if check else others)[(good - monday).days // 7] += number
    drawn = bars([Bar("", "check", checks[n], others[n]) for n in range(WEEKS)])
    starts = [monday + timedelta(weeks=n) for n in range(WEEKS)]
    return [(start, start.isocalendar().week, bar) for start, bar in zip(starts, drawn, strict=True)]
