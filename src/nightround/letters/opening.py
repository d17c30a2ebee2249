"""What an opening letter says: what was already wrong when units came into the register, once, in one letter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from ..settings import Settings
from .audience import Reader
from .lists import Cut
from .matters import may_read_uses, told, who_knows
from .planned import Errand
from .weighing import by_unit, counted, weigh
from .wording import LEAVE_IT, Sources

KIND = "opening"
SHOWN = 10
SHOWN_SITES = 15
_PARTS = {"on-call": "the person on call", "coordinator": "coordinator", "manager": "manager"}


def content(
    conn: Connection,
    settings: Settings,
    errand: Errand,
    going: Mapping[int, Sequence[Reader]],
    now: datetime,
    on: date | None = None,
) -> tuple[dict[str, Any], list[int]]:
    """What the letter says, and the cases in it, the lowest first; none are left where all have been closed."""
    weighed = weigh(conn, errand.case_ids)
    ids = sorted(case.id for case in weighed)
    if not ids:
        return {}, ids
    groups = by_unit(weighed)[:SHOWN]
    shown = [case for group in groups for case in group]
    sources = Sources()
    knowing = who_knows(conn, [case.id for case in shown], errand.reader.mailbox, going)
    matters = told(conn, settings, groups, now, sources, knowing, on=on, uses=may_read_uses(errand.reader))
    unreliable, overdue, others = counted(weighed)
    works = Counter(work for case in weighed for work in case.works)
    at = Counter(case.site_name for case in weighed)
    by_site = sorted(at.items(), key=lambda pair: (-pair[1], pair[0]))
    listed = tuple((number, name) for name, number in by_site[:SHOWN_SITES])
    return {
        "unreliable": unreliable,
        "overdue": overdue,
        "others": others,
        "matters": Cut(len(weighed), matters, len(shown)),
        "works": tuple((number, work) for work, number in sorted(works.items(), key=lambda pair: (-pair[1], pair[0]))),
        "by_site": listed,
        "sites": len(at),
        "more_sites": len(at) - len(listed),
        "more_at_sites": len(weighed) - sum(number for number, _ in listed),
        "rules": tuple(source.line for source in sources.listed()),
        "leave_it": LEAVE_IT if unreliable else "",
        "whys": tuple(_PARTS[role] for role in sorted(errand.whys)),
        "zone": errand.reader.zone,
        "all_url": settings.web.base_url.rstrip("/") + "/cases",
    }, ids
