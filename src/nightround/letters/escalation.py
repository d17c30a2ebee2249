"""What an escalation says: the open cases that fall to one person, the worst first, and what to do about each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection, func, select

from ..settings import Settings
from ..store.tables import messages
from . import links, service
from .audience import ABOUT_CASES, Reader
from .lists import Cut, Later
from .matters import Matter, heading, may_read_uses, told, who_knows
from .nights import nights
from .planned import Errand
from .templates import say_instant
from .weighing import Weighed, by_unit, counted, weigh
from .wording import LEAVE_IT, Sources

KIND = "escalation"
SHOWN = 20
NUMBERS = 3  # case numbers in a subject


def content(
    conn: Connection,
    settings: Settings,
    errand: Errand,
    going: Mapping[int, Sequence[Reader]],
    now: datetime,
    on: date | None = None,
    wrong: Callable[[Connection], Sequence[str]] = lambda _: (),
) -> tuple[dict[str, Any], list[int]]:
    """What the letter says, and the cases in it, the lowest first; none are left where all have been closed.

    `going` says by case who else is told of it in the same sweep, `wrong` what is wrong with the service itself. What
    the body alone needs is looked up for the body.
    """
    weighed = weigh(conn, errand.case_ids)
    ids = sorted(case.id for case in weighed)
    if not ids:
        return {}, ids
    groups = by_unit(weighed)[:SHOWN]
    shown = [case for group in groups for case in group]
    new = set(ids) - errand.before
    reader = errand.reader
    sources = Sources()

    def matters() -> tuple[Matter, ...]:
        knowing = who_knows(conn, [case.id for case in shown], reader.mailbox, going)
        stands_out = new if errand.before else ()
        way = partial(_way, settings, reader, now)
        return told(
            conn, settings, groups, now, sources, knowing, on=on, new=stands_out, way=way, uses=may_read_uses(reader)
        )

    one_by_one = Later(matters)

    def rules() -> tuple[str, ...]:
        assert one_by_one.value
        return tuple(source.line for source in sources.listed())

    ran = Later(lambda: nights(conn, reader.sites(), now))
    unreliable, overdue, others = counted(weighed)
    return {
        "unreliable": unreliable,
        "overdue": overdue,
        "others": others,
        "new": len(new),
        "worst": heading(conn, shown[0]),
        "total": len(weighed),
        "matters": Later(lambda: Cut(len(weighed), one_by_one.value, len(shown))),
        "rules": Later(rules),
        "leave_it": LEAVE_IT if unreliable else "",
        "numbers": tuple(sorted(case.id for case in weighed[:NUMBERS])),
        "since": weighed[0].since,
        "again": len(errand.laps & set(ids)),
        "worse": len(errand.worse & set(ids)),
        "stands_for": errand.stands_for,
        "last_until": say_instant(errand.last_until, reader.zone) if errand.last_until else "",
        "whys": tuple(sorted({_CALLED.get(why, why.partition(":")[0]) for why in errand.whys})),
        "gaps": tuple(errand.gaps),
        "zone": reader.zone,
        "late": Later(lambda: ran.value.late),
        "service_wrong": Later(lambda: tuple(wrong(conn))),
        "service_happened": Later(lambda: service.happened(conn, _last_letter(conn, reader.mailbox))),
        "last_round": Later(lambda: ran.value.short),
        "all_url": settings.web.base_url.rstrip("/") + "/cases",
    }, ids


def _last_letter(conn: Connection, mailbox: str) -> datetime | None:
    """When the last letter about cases to the mailbox was written; what happened since then is news there."""
    query = select(func.max(messages.c.created_at)).where(
        func.lower(messages.c.to_address) == mailbox, messages.c.kind.in_(ABOUT_CASES)
    )
    found: datetime | None = conn.execute(query).scalar()
    return found


# How a word of a ladder is said to whom it calls.
_CALLED = {"rota": "on-call", "site-contact": "site contact", "person": "person", "address": "address"}


def _way(settings: Settings, reader: Reader, now: datetime, case: Weighed) -> str:
    """Where the reader says that they have it, so that nobody has to sign in at night: a link for that one case, or for
    everything urgent about its unit."""
    if not reader.person:
        return links.case_url(settings, case.id)
    return links.take_url(settings, reader.person, reader.address, case.id, now, unit=case.with_unit)
