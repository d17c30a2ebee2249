"""Which open cases of a site are told as one: pure decisions. Nothing is opened, closed or lost by being put together.

Cases that share their reason (`shared`) are one group from a number on. A group takes in whatever comes to share its
reason, however few are left in it, and ends with its last member. Where its members come to share another reason
together, the group goes with them and keeps its number. What is urgent is only ever put together by a notice.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from .causes import PLAIN, item, text_of, weight

SHOWN = 20  # units named in what a group says


class Member(NamedTuple):
    """An open case that is no group. `unit` is the unit's code, "" for a matter of the site itself."""

    id: int
    site_id: int
    shared: str
    kind: str
    severity: str
    paused: str
    paused_until: date | None
    found_at_import: bool
    unit: str
    what: str
    group_id: int | None


class Group(NamedTuple):
    """An open group."""

    id: int
    site_id: int
    shared: str


class Formed(NamedTuple):
    """A group as it is to be: `group_id` None: to be opened. `members` by unit."""

    group_id: int | None
    site_id: int
    shared: str
    members: tuple[Member, ...]


class Decision(NamedTuple):
    """Every group that there is to be, whose cases go on alone, and which groups end.

    `ended` have no member any more because their matters are settled; the matters of `dissolved` go on elsewhere.
    """

    formed: tuple[Formed, ...]
    alone: tuple[int, ...]
    ended: tuple[int, ...]
    dissolved: tuple[int, ...]


def decide(
    members: Iterable[Member], groups: Iterable[Group], group_from: int, elsewhere: Collection[int] = ()
) -> Decision:
    """What is to be told as one among the open cases of some sites; the order in which they are given means nothing.

    `elsewhere` are groups of which a member is open at another site, which is not among these.
    """
    sharing: dict[tuple[int, str], list[Member]] = {}
    members = sorted(members, key=lambda member: (member.unit, member.id))
    for member in members:
        if member.shared:
            sharing.setdefault((member.site_id, member.shared), []).append(member)
    standing = {(group.site_id, group.shared): group.id for group in sorted(groups)}
    wanted = {
        key
        for key, theirs in sharing.items()
        if key in standing or sum(not member.paused for member in theirs) >= group_from
    }
    left = {group_id: key for key, group_id in standing.items() if key not in wanted}
    given = _taken_along({key: sharing[key] for key in wanted if key not in standing}, left)
    formed = tuple(Formed(standing.get(key) or given.get(key), *key, tuple(sharing[key])) for key in sorted(wanted))
    grouped = {member.id for group in formed for member in group.members}
    alone = tuple(member.id for member in members if member.group_id is not None and member.id not in grouped)
    over = set(left) - set(given.values())
    going_on = {member.group_id for member in members} | set(elsewhere)
    return Decision(formed, tuple(sorted(alone)), tuple(sorted(over - going_on)), tuple(sorted(over & going_on)))


def _taken_along(
    new: Mapping[tuple[int, str], Sequence[Member]], left: Mapping[int, tuple[int, str]]
) -> dict[tuple[int, str], int]:
    """Groups that nothing shares any more, by the new reason that most of their members have come to share."""
    offers: list[tuple[int, int, tuple[int, str]]] = []
    for key, theirs in new.items():
        came_from = Counter(member.group_id for member in theirs)
        for group_id, number in came_from.items():
            if (
                group_id is not None
                and group_id in left
                and left[group_id][0] == key[0]
                and _family(left[group_id][1]) == _family(key[1])
            ):
                offers.append((-number, group_id, key))
    given: dict[tuple[int, str], int] = {}
    for _, group_id, key in sorted(offers):
        if key not in given and group_id not in given.values():
            given[key] = group_id
    return given


def _family(shared: str) -> str:
    return shared.partition("/")[0]


def kind_and_severity(members: Iterable[Member]) -> tuple[str, str]:
    """Those of the gravest."""
    worst = min(members, key=lambda member: (weight(member.kind, member.severity), member.kind))
    return worst.kind, worst.severity


def pause(members: Sequence[Member]) -> tuple[str, date | None]:
    """A group rests only while every one of its members does; then until the first of them goes on."""
    if not all(member.paused for member in members):
        return "", None
    until = [member.paused_until for member in members if member.paused_until is not None]
    return members[0].paused, min(until, default=None)


def what_of(members: Sequence[Member]) -> str:
    """What a group says: each thing that its members owe, the longest overdue of them, and which units."""
    found: dict[tuple[str, str], list[tuple[str, dict[str, Any]]]] = {}
    for member in members:
        for said in json.loads(member.what):
            if said["subject"] == "others":
                continue
            same = (said["subject"], said["reason"] if said["subject"] in PLAIN else "")
            found.setdefault(same, []).append((member.unit, said))
    return text_of([_together(theirs) for theirs in found.values()])


def _together(theirs: Sequence[tuple[str, dict[str, Any]]]) -> dict[str, Any]:
    first = min((said for _, said in theirs), key=lambda said: said["last_good_day"] or "")
    units = list(dict.fromkeys(unit for unit, _ in theirs if unit))
    number = f"{len(units)} unit{'' if len(units) == 1 else 's'}"
    named = ", ".join(units[:SHOWN]) + (f" and {len(units) - SHOWN} more" if len(units) > SHOWN else "")
    where = [f"{number}: {named}"] if units else []
    if any(not unit for unit, _ in theirs):
        where.append("what is kept at the site")
    reason = "; ".join(where)
    if first["subject"] in PLAIN:
        reason = f"{first['reason']} ({reason})"
    return item(first["subject"], first["last_good_day"], reason, first["rule"], first["force"], first["source"])
