"""What an escalation says: the open cases that fall to one person, the worst first, and what to do about each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from ..settings import Settings
from . import links
from .errands import Errand
from .lists import Cut
from .matters import counted, told, weigh, who_knows
from .nights import nights
from .wording import LEAVE_IT, Sources

KIND = "escalation"
SHOWN = 20
# How long the way in lasts that an escalation carries, so that nobody has to sign in by mail at night.
LINK_DAYS = 7


def content(
    conn: Connection,
    settings: Settings,
    errand: Errand,
    going: Mapping[int, Sequence[str]],
    now: datetime,
    on: date | None = None,
) -> tuple[dict[str, Any], list[int]]:
    """What the letter says, and the cases in it, the lowest first; none are left where all have been closed.

    `going` says by case who else is told of it in the same sweep.
    """
    weighed = weigh(conn, errand.case_ids)
    ids = sorted(case.id for case in weighed)
    if not ids:
        return {}, ids
    shown = weighed[:SHOWN]
    sources = Sources()
    knowing = who_knows(conn, [case.id for case in shown], errand.twins, going)
    new = set(ids) - errand.before
    stands_out = new if errand.before else ()
    matters = told(conn, settings, shown, now, sources, knowing, on=on, new=stands_out)
    unreliable, overdue = counted(weighed)
    reader = errand.reader
    ran = nights(conn, reader.sites(), now)
    return {
        "unreliable": unreliable,
        "overdue": overdue,
        "new": len(new),
        "worst": matters[0].title,
        "matters": Cut(len(weighed), matters, len(matters)),
        "rules": tuple(source.line for source in sources.listed()),
        "leave_it": LEAVE_IT if unreliable else "",
        "whys": tuple(sorted(errand.whys)),
        "gaps": tuple(sorted(gap for gap in errand.gaps if gap)),
        "zone": reader.zone,
        "late": ran.late,
        "last_round": ran.short,
        "all_url": settings.web.base_url.rstrip("/") + "/cases",
        "sign_in_url": links.personal_url(settings, reader.person, reader.address, now, LINK_DAYS),
        "sign_in_days": LINK_DAYS,
    }, ids
