"""Puts cases of a site together that share their reason, and takes groups apart, in the caller's unit of work.

Looks first, by a few statements over all cases, which sites have something to change; on most nights none has.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    CompoundSelect,
    Connection,
    String,
    and_,
    bindparam,
    cast,
    func,
    insert,
    literal,
    or_,
    select,
    union,
    update,
)
from sqlalchemy import case as sql_case

from ..store.database import raise_version
from ..store.recalling import recall
from ..store.tables import cases, climbs, sites, units
from . import events
from .causes import GROUPS, spoken, weight
from .groups import Decision, Formed, Group, Member, decide, kind_and_severity, pause, what_of

_CHUNK = 500
_JOIN = update(cases).where(cases.c.id == bindparam("row_id")).values(group_id=bindparam("new_group"))
_END = (
    update(cases)
    .where(cases.c.id == bindparam("row_id"))
    .values(state="closed", closed_at=bindparam("now"), stale=False)
)
_SAY = (
    update(cases)
    .where(cases.c.id == bindparam("row_id"))
    .values(
        {
            name: bindparam(f"new_{name}")
            for name in ("cause", "shared", "kind", "severity", "what", "paused", "paused_until")
        }
        | {"stale": False}
    )
)


def group_cases(
    conn: Connection, on: date, now: datetime, group_from: int, zone: str, site_ids: Collection[int] | None = None
) -> None:
    """Decides for the sites of a time zone, or for these of them, and writes what differs. Twice changes nothing."""
    if site_ids is None:
        key = ("touched", zone, group_from)
        touched = recall(conn, key, (cases, sites), lambda: _touched(conn, zone, None, group_from))
    else:
        touched = _touched(conn, zone, site_ids, group_from)
    if not touched:
        return
    # Whoever else groups at this moment waits here until we are done, and then sees what we wrote.
    raise_version(conn)
    for start in range(0, len(touched), _CHUNK):
        some = touched[start : start + _CHUNK]
        members, groups = _members(conn, some), _groups(conn, some)
        decision = decide(members, groups, group_from, _with_members_elsewhere(conn, groups))
        _write(conn, decision, on, now)


def group_cause(site_id: int, shared: str) -> str:
    """The cause of the group of a site's cases that share this reason."""
    return f"s{site_id}/group/{shared}"


_GROUP = cases.alias("own_group")


@lru_cache(maxsize=2)
def _looks(of_zone: bool) -> CompoundSelect[Any]:
    within: ColumnElement[bool] = cases.c.site_id.in_(
        select(sites.c.id).where(sites.c.time_zone == bindparam("b_zone"))
        if of_zone
        else bindparam("b_sites", expanding=True)
    )
    member = and_(within, cases.c.closed_at.is_(None), cases.c.cause.not_like(GROUPS))
    free = sql_case((and_(cases.c.group_id.is_(None), cases.c.paused == ""), 1), else_=0)
    named = literal("s") + cast(cases.c.site_id, String) + literal("/group/") + cases.c.shared
    other = or_(_GROUP.c.shared != cases.c.shared, _GROUP.c.site_id != cases.c.site_id, _GROUP.c.closed_at.is_not(None))
    return union(
        select(cases.c.site_id).where(within, cases.c.closed_at.is_(None), cases.c.stale),
        select(cases.c.site_id).join(_GROUP, _GROUP.c.id == cases.c.group_id).where(member, other),
        select(cases.c.site_id)
        .join(_GROUP, and_(_GROUP.c.cause == named, _GROUP.c.closed_at.is_(None)))
        .where(member, cases.c.group_id.is_(None), cases.c.shared != ""),
        select(cases.c.site_id)
        .where(member, cases.c.shared != "")
        .group_by(cases.c.site_id, cases.c.shared)
        .having(func.sum(free) >= bindparam("b_group_from")),
    )


def _touched(conn: Connection, zone: str, site_ids: Collection[int] | None, group_from: int) -> list[int]:
    """The sites where a group is outdated, a member is in the wrong one, or enough (or one more) belong together."""
    few = site_ids is not None and len(site_ids) <= _CHUNK
    values = {"b_group_from": group_from, "b_zone": zone, "b_sites": sorted(site_ids) if few and site_ids else []}
    found = set(conn.execute(_looks(not few), values).scalars())
    # A member that went to another site leaves its group behind there.
    for start in range(0, len(found), _CHUNK):
        some = sorted(found)[start : start + _CHUNK]
        query = (
            select(_GROUP.c.site_id)
            .join(cases, cases.c.group_id == _GROUP.c.id)
            .where(cases.c.site_id.in_(some), cases.c.closed_at.is_(None), _GROUP.c.closed_at.is_(None))
        )
        found |= set(conn.execute(query).scalars())
    return sorted(found)


def _members(conn: Connection, site_ids: Sequence[int]) -> list[Member]:
    columns = [units.c.unit if name == "unit" else cases.c[name] for name in Member._fields]
    query = (
        select(*columns)
        .select_from(cases.outerjoin(units, units.c.id == cases.c.unit_id))
        .where(
            cases.c.site_id.in_(site_ids),
            cases.c.closed_at.is_(None),
            cases.c.cause.not_like(GROUPS),
            (cases.c.shared != "") | cases.c.group_id.is_not(None),
        )
    )
    return [Member(*row)._replace(unit=row.unit or "") for row in conn.execute(query)]


def _groups(conn: Connection, site_ids: Sequence[int]) -> list[Group]:
    query = select(cases.c.id, cases.c.site_id, cases.c.shared).where(
        cases.c.site_id.in_(site_ids), cases.c.closed_at.is_(None), cases.c.cause.like(GROUPS)
    )
    return [Group(*row) for row in conn.execute(query)]


def _with_members_elsewhere(conn: Connection, groups: Sequence[Group]) -> set[int]:
    """The groups whose members have gone to other sites, in part or all."""
    group = cases.alias("their_group")
    query = (
        select(cases.c.group_id)
        .join(group, group.c.id == cases.c.group_id)
        .where(
            cases.c.group_id.in_([one.id for one in groups]),
            cases.c.closed_at.is_(None),
            cases.c.site_id != group.c.site_id,
        )
    )
    return set(conn.execute(query).scalars())


def _write(
    conn: Connection,
    decision: Decision,
    on: date,
    now: datetime,
) -> None:
    history: list[dict[str, Any]] = []
    for ended, what in ((decision.ended, events.CLOSED), (decision.dissolved, events.DISSOLVED)):
        if ended:
            conn.execute(_END, [{"row_id": group_id, "now": now} for group_id in ended])
            history += [events.event(group_id, now, what) for group_id in ended]
    if decision.dissolved:
        # Their matters go on: nobody is to hear that they are over.
        conn.execute(update(climbs).where(climbs.c.case_id.in_(decision.dissolved)).values(closing_told=True))
    joins = [{"row_id": case_id, "new_group": None} for case_id in decision.alone]
    history += [events.event(case_id, now, events.UNGROUPED) for case_id in decision.alone]
    before = _said(conn, [group.group_id for group in decision.formed if group.group_id is not None])
    for group in decision.formed:
        if group.group_id is None:
            group_id = _open(conn, group, on, now)
            history.append(events.event(group_id, now, events.OPENED, said=spoken(what_of(group.members))))
        else:
            group_id = group.group_id
            history += _say(conn, group, before[group_id], now)
        for member in group.members:
            if member.group_id != group_id:
                joins.append({"row_id": member.id, "new_group": group_id})
                history.append(
                    events.event(member.id, now, events.GROUPED, said=f"told with others as case {group_id}")
                )
    if joins:
        conn.execute(_JOIN, joins)
    events.record_all(conn, history)


def _open(conn: Connection, group: Formed, on: date, now: datetime) -> int:
    kind, severity = kind_and_severity(group.members)
    paused, until = pause(group.members)
    row = {
        "cause": group_cause(group.site_id, group.shared),
        "site_id": group.site_id,
        "shared": group.shared,
        "kind": kind,
        "severity": severity,
        "what": what_of(group.members),
        "paused": paused,
        "paused_until": until,
        "state": "open",
        "opened_on": on,
        "opened_at": now,
        "found_at_import": all(member.found_at_import for member in group.members),
    }
    return int(conn.execute(insert(cases).values(**row).returning(cases.c.id)).scalar_one())


def _said(conn: Connection, group_ids: Sequence[int]) -> dict[int, Any]:
    query = select(cases).where(cases.c.id.in_(group_ids))
    return {row.id: row for row in conn.execute(query)}


def _say(conn: Connection, group: Formed, before: Any, now: datetime) -> list[dict[str, Any]]:
    """Words a group anew where anything about it is different, and says what."""
    kind, severity = kind_and_severity(group.members)
    paused, until = pause(group.members)
    what = what_of(group.members)
    fresh = {
        "cause": group_cause(group.site_id, group.shared),
        "shared": group.shared,
        "kind": kind,
        "severity": severity,
        "what": what,
        "paused": paused,
        "paused_until": until,
    }
    if not before.stale and all(before._mapping[name] == value for name, value in fresh.items()):
        return []
    conn.execute(_SAY, [{f"new_{name}": value for name, value in fresh.items()} | {"row_id": before.id}])
    happened = []
    if paused != before.paused:
        happened.append(events.event(before.id, now, events.PAUSED if paused else events.RESUMED, said=paused))
    grave, was = weight(kind, severity), weight(before.kind, before.severity)
    if grave != was:
        word = events.RAISED if grave < was else events.EASED
        happened.append(events.event(before.id, now, word, said=spoken(what)))
    elif what != before.what:
        happened.append(events.event(before.id, now, events.REWORDED, said=spoken(what)))
    return happened
