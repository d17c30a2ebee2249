"""The first page: what is wrong today at the viewer's sites, worst first, with the age of the last round on top.

It shows what the last round found and reckons nothing itself. Lists are cut at a screenful; the counts never are.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, or_, select
from starlette.responses import Response

from ..reckoning.dates import local_day
from ..store.tables import conditions, duties, sites
from . import owing
from .bars import Bar, bars
from .doors import Visit
from .fleet_state import CONDITIONS, NOT_RECKONED, rounds, set_aside, units_by_condition, zone_of
from .matters import open_cases, open_cases_total, unreliable
from .owing import CHECKS, Owed
from .people import Viewer

SHOWN = 25
WEEKS = 12


def show(visit: Visit) -> Response:
    """The page."""
    viewer, now = visit.known, visit.now
    with visit.program.store.read() as conn:
        zone = zone_of(conn, viewer, visit.program.settings)
        today = local_day(now, zone)
        by_condition = units_by_condition(conn, viewer)
        working = or_(conditions.c.condition.is_(None), conditions.c.condition != "withdrawn")
        standings = _standings(conn, viewer, working)
        week_end = today + timedelta(days=6)
        content: dict[str, Any] = {
            "today": today,
            "zone": zone,
            "rounds": rounds(conn, viewer, now),
            "set_aside": set_aside(conn, viewer),
            "units_by_condition": by_condition,
            "unreliable": unreliable(conn, viewer, now, SHOWN),
            "overdue": _by_unit(_duties(conn, viewer, working, now, "overdue", SHOWN * 4)),
            "overdue_total": standings.get("overdue", 0),
            "order_now": _duties(conn, viewer, working, now, "order now", SHOWN, duties.c.order_by),
            "order_now_total": standings.get("order now", 0),
            "this_week": _by_day(_this_week(conn, viewer, working, week_end, now)),
            "this_week_total": _this_week_total(conn, viewer, working, week_end),
            "week_end": week_end,
            "not_recorded": _not_recorded(conn, viewer, working),
            "not_recorded_total": standings.get("not recorded", 0),
            "cases": open_cases(conn, viewer, now, SHOWN),
            "cases_total": open_cases_total(conn, viewer),
            "weeks": _weeks(conn, viewer, working, today),
        }
    fleet = [(word, by_condition[word]) for word in (*CONDITIONS, NOT_RECKONED) if by_condition.get(word)]
    content["condition_bars"] = bars([Bar(word, word.replace(" ", "-"), number) for word, number in fleet])
    content["total"] = sum(by_condition.values())
    content["overdue_shown"] = sum(len(listed) for _, listed in content["overdue"])
    content["this_week_shown"] = sum(len(listed) for _, listed in content["this_week"])
    return visit.page("today.html", **content)


def _standings(conn: Connection, viewer: Viewer, working: ColumnElement[bool]) -> dict[str, int]:
    query = (
        select(duties.c.standing, func.count())
        .select_from(_joined())
        .where(viewer.sees(), working)
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
    conn: Connection,
    viewer: Viewer,
    working: ColumnElement[bool],
    now: datetime,
    standing: str,
    limit: int,
    first: Any = None,
) -> list[Owed]:
    query = _mine(viewer, working, duties.c.standing == standing)
    if first is not None:
        query = query.order_by(first)
    return owing.read(conn, owing.by_day(query).limit(limit), now)


def _due_within(week_end: date) -> ColumnElement[bool]:
    return (duties.c.standing == "open") & (duties.c.last_good_day <= week_end)


def _this_week(
    conn: Connection, viewer: Viewer, working: ColumnElement[bool], week_end: date, now: datetime
) -> list[Owed]:
    query = _mine(viewer, working, _due_within(week_end))
    return owing.read(conn, owing.by_day(query).limit(SHOWN * 2), now)


def _this_week_total(conn: Connection, viewer: Viewer, working: ColumnElement[bool], week_end: date) -> int:
    query = select(func.count()).select_from(_joined()).where(viewer.sees(), working, _due_within(week_end))
    return conn.execute(query).scalar_one()


def _not_recorded(conn: Connection, viewer: Viewer, working: ColumnElement[bool]) -> list[tuple[str, int]]:
    query = (
        select(duties.c.kind, func.count())
        .select_from(_joined())
        .where(viewer.sees(), working, duties.c.standing == "not recorded")
        .group_by(duties.c.kind)
        .order_by(func.count().desc(), duties.c.kind)
    )
    return [(kind, number) for kind, number in conn.execute(query)]


def _by_unit(found: list[Owed]) -> list[tuple[Owed, list[Owed]]]:
    """The duties gathered by unit, the unit with the longest overdue first; a site's spares count as one unit."""
    gathered: dict[tuple[str, str], list[Owed]] = {}
    for duty in found:
        gathered.setdefault((duty.site, duty.unit), []).append(duty)
    return [(listed[0], listed) for listed in gathered.values()][:SHOWN]


def _by_day(found: list[Owed]) -> list[tuple[date | None, list[Owed]]]:
    return [(day, list(listed)) for day, listed in groupby(found, key=lambda duty: duty.last_good_day)]


def _weeks(conn: Connection, viewer: Viewer, working: ColumnElement[bool], today: date) -> list[tuple[date, int, Bar]]:
    """For this week and the eleven after it: its Monday, its ISO number, and what falls due: checks, and parts."""
    monday = today - timedelta(days=today.weekday())
    until = monday + timedelta(weeks=WEEKS)
    is_check = duties.c.kind.in_(CHECKS)
    query = (
        select(duties.c.last_good_day, is_check, func.count())
        .select_from(_joined())
        .where(
            viewer.sees(),
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
