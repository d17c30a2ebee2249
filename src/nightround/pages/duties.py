"""Everything owed at the viewer's sites, by site, standing, kind and day; a page at a time."""

from __future__ import annotations

from datetime import date
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import ColumnElement, func, select
from starlette.responses import Response

from ..errors import UserError
from ..store.tables import duties, sites
from . import owing
from .doors import Visit
from .words import KINDS

PAGE = 100
# More sites than this are not a list to choose from; the code is typed then.
LISTED_SITES = 300


def show(visit: Visit) -> Response:
    """The page. Raises UserError for a filter that cannot be read."""
    viewer = visit.known
    asked = {name: visit.asked(name) for name in ("site", "standing", "kind", "until")}
    conditions: list[ColumnElement[bool]] = []
    if asked["site"]:
        conditions.append(sites.c.site == asked["site"])
    if asked["standing"]:
        if asked["standing"] not in owing.STANDINGS:
            raise UserError(f"standing {asked['standing']!r} is not known; use one of {', '.join(owing.STANDINGS)}")
        conditions.append(duties.c.standing == asked["standing"])
    if asked["kind"]:
        conditions.append(duties.c.kind == asked["kind"])
    if asked["until"]:
        conditions.append(duties.c.last_good_day <= _day(asked["until"]))
    number = max(1, visit.number("page"))
    with visit.program.store.read() as conn:
        query = owing.visible(viewer, *conditions)
        counted = select(func.count()).select_from(query.with_only_columns(duties.c.id).subquery())
        total = conn.execute(counted).scalar_one()
        # The page's rows are found by their ids first: sorting whole rows, reasons and all, costs ten times as much.
        ids = owing.by_day(query.with_only_columns(duties.c.id)).offset((number - 1) * PAGE).limit(PAGE)
        listed_ids = list(conn.execute(ids).scalars())
        found = owing.read(conn, owing.by_day(owing.visible(viewer, duties.c.id.in_(listed_ids))), visit.now)
        kinds = {kind for kind, _ in owing.counts(conn, viewer, duties.c.kind)}
        listed = conn.execute(
            select(sites.c.site, sites.c.name).where(viewer.sees()).order_by(sites.c.site).limit(LISTED_SITES + 1)
        ).all()
    content: dict[str, Any] = {
        "asked": asked,
        "owed": found,
        "total": total,
        "number": number,
        "pages": max(1, -(-total // PAGE)),
        "first": (number - 1) * PAGE + 1,
        "standings": owing.STANDINGS,
        "kinds_here": [kind for kind in KINDS if kind in kinds] + sorted(kinds - set(KINDS)),
        "sites": listed if len(listed) <= LISTED_SITES else None,
        "query": urlencode({name: value for name, value in asked.items() if value}),
    }
    return visit.page("duties.html", **content)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UserError(f"until {text!r} is not a date; write it as 2026-12-31") from None
