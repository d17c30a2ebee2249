"""What changed since a reader's last letter: the net of the moves in between, not every step on the way."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, select

from ..store.tables import moves, sites, units
from .lists import Cut, Worst
from .situation import whose_of
from .templates import say_day
from .wording import act, said

# Up to so many each change has its own line; beyond, they are counted and only the gravest are named.
EACH = 12
GRAVEST = 6

# What a change is, the gravest first, and the words for one and for several.
KINDS: dict[str, tuple[str, str]] = {
    "unreliable": ("unit is no longer to be relied on", "units are no longer to be relied on"),
    "blind": ("unit is without evidence now", "units are without evidence now"),
    "withdrawn": ("unit was withdrawn", "units were withdrawn"),
    "overdue": ("duty became overdue", "duties became overdue"),
    "lost": ("duty no longer has a date on record", "duties no longer have a date on record"),
    "earlier": ("date moved forward to an earlier day", "dates moved forward to an earlier day"),
    "order": ("part came up for ordering", "parts came up for ordering"),
    "restored": ("unit is in service again", "units are in service again"),
    "new-unit": ("unit is new in the register", "units are new in the register"),
    "done": ("duty was done and has a later date now", "duties were done and have later dates now"),
    "gone": ("duty is no longer owed", "duties are no longer owed"),
    "new": ("duty is new", "duties are new"),
}
_RANK = {kind: rank for rank, kind in enumerate(KINDS)}
_WORSE = {"not to be relied on": "unreliable", "no evidence": "blind", "withdrawn": "withdrawn"}
_WORKING = ("in service", "work due")


class Change(NamedTuple):
    """One net change, in words."""

    kind: str
    title: str
    line: str


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed since an instant. `since` is None for a first letter, which has nothing to compare with."""

    since: datetime | None
    counts: tuple[tuple[int, str], ...]
    listed: Cut[Change]

    @property
    def few(self) -> bool:
        """Whether every change has its own line."""
        return self.listed.more == 0


NOTHING = Changes(None, (), Cut(0, (), 0))


def changes(conn: Connection, seen: ColumnElement[bool], since: datetime | None) -> Changes:
    """The net changes of the sites that are seen after that instant."""
    if since is None:
        return NOTHING
    counts: Counter[str] = Counter()
    worst: Worst[Change] = Worst(EACH, key=lambda change: (_RANK[change.kind], change.title, change.line))
    for change in _net(conn, seen, since):
        counts[change.kind] += 1
        worst.add(change)
    listed = worst.cut()
    if listed.more:
        listed = Cut(listed.total, listed.rows[:GRAVEST], GRAVEST)
    rows = tuple((counts[kind], KINDS[kind][counts[kind] != 1]) for kind in KINDS if counts[kind])
    return Changes(since, rows, listed)


def _net(conn: Connection, seen: ColumnElement[bool], since: datetime) -> Iterator[Change]:
    query = (
        select(
            moves.c.unit_id,
            moves.c.site_id,
            moves.c.key,
            moves.c.subject,
            moves.c.old,
            moves.c.new,
            units.c.unit,
            sites.c.site,
            sites.c.name,
        )
        .select_from(moves.join(sites, sites.c.id == moves.c.site_id).outerjoin(units, units.c.id == moves.c.unit_id))
        .where(seen, moves.c.at > since)
        .order_by(moves.c.unit_id, moves.c.site_id, moves.c.key, moves.c.id)
        .execution_options(yield_per=2000)
    )
    rows = conn.execute(query)
    for _, of_holder in groupby(rows, key=lambda row: (row.unit_id, None if row.unit_id else row.site_id)):
        yield from _of_holder(list(of_holder))


def _of_holder(rows: list[Any]) -> Iterator[Change]:
    """The net changes of one unit, or of one site's spares."""
    by_key: dict[str, list[Any]] = {}
    for row in rows:
        by_key.setdefault(row.key, []).append(row)
    whose = rows[0].unit or whose_of(key.partition("/")[0] for key in by_key)
    title = f"{whose}, {rows[0].name or rows[0].site}"
    condition = by_key.pop("condition", None)
    if condition is not None:
        was, now = _first_and_last(condition)
        if not was:
            # Everything about a new unit is new; that goes without saying.
            yield Change("new-unit", title, f"new in the register: {now.get('condition', 'not reckoned yet')}")
            return
        change = _condition(title, was.get("condition", ""), now.get("condition", ""))
        if change is not None:
            yield change
    net = {key: (of_key[-1].subject, *_first_and_last(of_key)) for key, of_key in by_key.items()}
    yield from _replaced(title, net)
    for key, (subject, was, now) in net.items():
        kind = _kind(was, now)
        if kind:
            yield Change(kind, title, _line(kind, key, subject, was, now))


def _replaced(title: str, net: dict[str, tuple[str, dict[str, Any], dict[str, Any]]]) -> Iterator[Change]:
    """Parts of one kind of which one went and another came: replaced. They are taken out of `net`."""
    parts = [key for key in net if key.count("/") == 2 and not key.startswith("notice/")]
    for key in [key for key in parts if net[key][1] and not net[key][2]]:
        alike = key.rpartition("/")[0]
        came = next((k for k, (_, was, now) in net.items() if k.rpartition("/")[0] == alike and now and not was), None)
        if came is not None:
            subject, _, now = net.pop(came)
            del net[key]
            good = _day(now.get("last_good_day"))
            yield Change("done", title, f"{said(subject)}: replaced{f', good to {good}' if good else ''}")


def _first_and_last(rows: list[Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What each field was before the first move and is after the last. Empty: there was, or is, no such duty."""
    old: dict[str, Any] = json.loads(rows[0].old)
    new: dict[str, Any] = {}
    born = not old
    for row in rows:
        was, now = json.loads(row.old), json.loads(row.new)
        if not born:
            for name, value in was.items():
                old.setdefault(name, value)
        new = {**new, **now} if now else {}
    return old, new


def _condition(title: str, was: str, now: str) -> Change | None:
    if was == now:
        return None
    if now in _WORSE:
        return Change(_WORSE[now], title, f"was {was}, now {now}")
    if was not in _WORKING and now in _WORKING:
        return Change("restored", title, f"was {was}, now {now}")
    return None  # from in service to work due and back is the week's ordinary work


def _kind(was: dict[str, Any], now: dict[str, Any]) -> str:
    if not was and not now:
        return ""
    if not now:
        return "gone"
    if not was:
        return "overdue" if now.get("standing") == "overdue" else "new"
    standing_was, standing = was.get("standing"), now.get("standing")
    if standing != standing_was:
        if standing == "not recorded":
            return "lost"
        if standing == "overdue":
            return "overdue"
    good_was, good = was.get("last_good_day"), now.get("last_good_day")
    if good_was and good and good < good_was:
        return "earlier"
    if (good_was and good and good > good_was) or (standing_was == "overdue" and standing != "overdue"):
        return "done"
    if standing == "order now" != standing_was:
        return "order"
    return ""


def _line(kind: str, key: str, subject: str, was: dict[str, Any], now: dict[str, Any]) -> str:
    what = act(key.partition("/")[0], key, subject)
    good = _day(now.get("last_good_day"))
    if kind == "gone":
        return f"{what}: no longer owed"
    if kind == "lost":
        return f"{what}: no date on record any more"
    if kind == "overdue":
        return f"{what}: became overdue{f', last good day was {good}' if good else ''}"
    if kind == "earlier":
        return f"{what}: last good day moved forward from {_day(was.get('last_good_day'))} to {good}"
    if kind == "order":
        return f"{said(subject)}: came up for ordering"
    if kind == "new":
        return f"{what}: new{f', last good day {good}' if good else ''}"
    return f"{what}: done{f', good to {good}' if good else ''}"


def _day(text: str | None) -> str:
    return say_day(date.fromisoformat(text)) if text else ""
