"""Open cases as a letter tells them: where, why, who knows and what to do."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, func, or_, select

from ..reckoning.dates import local_day
from ..reckoning.owed import Standing
from ..rounds.causes import (
    MAIL_GIVEN_UP,
    PLAIN,
    ROUND_MISSED,
    USED,
)
from ..settings import Settings
from ..store.recalling import recall
from ..store.tables import cases, duties, messages, parts, people, sites, tellings, units
from . import links
from .audience import Reader
from .items import overdue_lines
from .put_off import not_arriving
from .situation import WHERE, Owing, Where, where_of
from .templates import say_day, say_instant
from .uses import LOOKING_AFTER, ON_THE_PAGE, uses_of
from .weighing import Weighed
from .wording import (
    Sources,
    because_of,
    capital,
    condition_kind,
    condition_source,
    late,
    names,
    said,
    steps,
    thing,
)

UNRELIABLE_WORD = "not to be relied on"
REASONS = 6  # of one matter


class Matter(NamedTuple):
    """A case in words, or all that is urgent about one unit: `where` a line, `reasons`, `to_do` and `known` several.
    `word` is its standing."""

    case_id: int
    title: str
    word: str
    urgent: bool
    where: str
    reasons: tuple[str, ...]
    to_do: tuple[str, ...]
    known: tuple[str, ...]
    url: str


def may_read_uses(reader: Reader) -> bool:
    """Whether a letter to them says what was recorded of a use: it is about a person."""
    return bool(reader.roles & LOOKING_AFTER)


def told(
    conn: Connection,
    settings: Settings,
    groups: Sequence[Sequence[Weighed]],
    now: datetime,
    sources: Sources,
    knowing: Mapping[int, Sequence[str]],
    *,
    on: date | None = None,
    new: Collection[int] = (),
    way: Callable[[Weighed], str] | None = None,
    uses: bool = False,
) -> tuple[Matter, ...]:
    """These cases in words, those of a group (`by_unit`) as one. `knowing` says by case who else knows; `new` holds
    those that stand out as not told before.

    `way` gives the address where the reader says that they have a case (default: its page, behind a sign-in).

    `on` is the civil day on which it is told (default: the present one at each site). `uses` says what was recorded of
    a use; else its page is named.
    """
    ids = [case.id for group in groups for case in group]
    used = [unit_id for group in groups for case in group if case.kind == USED for unit_id in case.units]
    recorded = uses_of(conn, used) if uses and used else {}
    rows = {row.id: row for row in conn.execute(_DETAILS, {"b_ids": ids})}
    owed = _overdue(conn, list(rows.values()), now, on)
    spares = _spares(conn, list(rows.values()), now, on)
    found = []
    for group in groups:
        url = links.case_url(settings, group[0].id) if way is None else way(group[0])
        matters = []
        for case in group:
            row = rows[case.id]
            today = _today(_where(row).zone, now, on)
            known = knowing.get(case.id, ())
            one = _matter(url, row, owed, spares, sources, known, today, case.unreliable, new=case.id in new)
            if case.kind == USED:
                one = one._replace(
                    reasons=(*one.reasons[:1], *recorded.get(row.unit_id, (ON_THE_PAGE,)), *one.reasons[1:])
                )
            matters.append(one)
        found.append(_together(matters))
    return tuple(found)


def _together(matters: Sequence[Matter]) -> Matter:
    """All that is urgent about one unit, as one: each thing is said once."""
    first, *more = matters
    if not more:
        return first
    numbers = names([str(one.case_id) for one in matters])
    return first._replace(
        title=next((one.title for one in matters if one.word == UNRELIABLE_WORD), first.title),
        word=next((one.word for one in matters if one.word == UNRELIABLE_WORD), first.word),
        reasons=tuple(dict.fromkeys(reason for one in matters for reason in one.reasons)),
        to_do=tuple(dict.fromkeys(step for one in matters for step in one.to_do)),
        known=(f"Cases {numbers}.", *dict.fromkeys(line for one in matters for line in one.known)),
    )


def heading(conn: Connection, case: Weighed) -> str:
    """The title under which a letter tells of that case."""
    read = (cases, people, sites, units)
    row = recall(conn, ("detail", case.id), read, lambda: conn.execute(_DETAIL, {"b_id": case.id}).one())
    where = _where(row)
    if where.unit:
        return _title(row, where)
    # What has no unit is called by what is owed there.
    overdue = select(duties.c.subject, duties.c.kind).where(
        duties.c.holder == _holder(row), duties.c.standing == str(Standing.OVERDUE)
    )
    kinds = dict(conn.execute(overdue).all())
    return _title(row, where.about(_kind_of(item, kinds) for item in json.loads(row.what) if not _in_words(item)))


def who_knows(
    conn: Connection, case_ids: Sequence[int], but: str, going: Mapping[int, Iterable[Reader]]
) -> dict[int, tuple[str, ...]]:
    """By case, the names of who was told before (less that mailbox) and of who is being told now (`going`).

    Nobody is said to know whom no letter has reached: whose last one was given up, whose only one the mail server has
    put off, and who is being told now although an earlier letter to them has not arrived, is named as such.
    """
    found: dict[int, dict[str, str]] = {case_id: {} for case_id in case_ids}
    failing = or_(messages.c.failing_since.is_not(None), messages.c.last_answer != "")
    query = (
        select(tellings.c.case_id, people.c.name, people.c.person, tellings.c.mailbox, messages.c.state, failing)
        .join(messages, messages.c.id == tellings.c.message_id)
        .outerjoin(people, people.c.id == tellings.c.person_id)
        .where(tellings.c.case_id.in_(case_ids), tellings.c.mailbox != but)
        .order_by(people.c.person, messages.c.id)
    )
    on_its_way: list[tuple[int, str, str]] = []  # case, who, mailbox
    for case_id, name, person, mailbox, state, failed in conn.execute(query):
        called = name or person or mailbox
        if state in ("sent", "given up"):
            found[case_id][called] = "" if state == "sent" else " (could not be reached)"
        elif failed:
            found[case_id].setdefault(called, " (the letter has not arrived yet)")
        else:
            on_its_way.append((case_id, called, mailbox))
    for case_id in case_ids:
        now = (reader for reader in going.get(case_id, ()) if reader.mailbox != but)
        on_its_way += ((case_id, reader.called, reader.mailbox) for reader in now)
    lost = not_arriving(conn, {mailbox for _, _, mailbox in on_its_way})
    for case_id, called, mailbox in on_its_way:
        found[case_id].setdefault(called, " (an earlier letter has not arrived)" if mailbox in lost else "")
    return {case_id: tuple(f"{name}{doubt}" for name, doubt in known.items()) for case_id, known in found.items()}


def _details_of(wanted: ColumnElement[bool]) -> Select[Any]:
    member = cases.alias("member")
    members = select(func.count()).where(member.c.group_id == cases.c.id, member.c.closed_at.is_(None))
    return (
        select(cases, *WHERE, people.c.name.label("taken_name"), members.scalar_subquery().label("members"))
        .select_from(
            cases.outerjoin(sites, sites.c.id == cases.c.site_id)
            .outerjoin(units, units.c.id == cases.c.unit_id)
            .outerjoin(people, people.c.person == cases.c.taken_by)
        )
        .where(wanted)
    )


_DETAIL = _details_of(cases.c.id == bindparam("b_id"))
_DETAILS = _details_of(cases.c.id.in_(bindparam("b_ids", expanding=True)))


def _where(row: Any) -> Where:
    """The place of a case; of a matter of no one site, the time zone at most."""
    return where_of(row) if row.site_id is not None else Where("", "", "", "", "", "", row.zone or "UTC", "")


def _title(row: Any, where: Where) -> str:
    if row.kind == ROUND_MISSED:
        return f"the nightly round, {row.zone}"
    if row.kind == MAIL_GIVEN_UP:
        return "letters that do not arrive"
    return f"{row.members} units, {where.site_name}" if row.members else where.title


def _holder(row: Any) -> str:
    return f"u{row.unit_id}" if row.unit_id is not None else f"s{row.site_id}"


def _today(zone: str, now: datetime, on: date | None) -> date:
    return on or local_day(now, zone)


def _overdue(conn: Connection, rows: list[Any], now: datetime, on: date | None) -> dict[tuple[str, str], Owing]:
    """The overdue duties behind these cases, by holder and subject."""
    places = {_holder(row): _where(row) for row in rows}
    query = select(duties).where(duties.c.holder.in_(list(places)), duties.c.standing == str(Standing.OVERDUE))
    return {
        (row.holder, row.subject): Owing(
            row.holder,
            places[row.holder],
            row.key,
            row.kind,
            row.subject,
            row.standing,
            row.opens,
            row.order_by,
            row.last_good_day,
            row.deadline,
            row.because,
            _today(places[row.holder].zone, now, on),
        )
        for row in conn.execute(query)
    }


def _matter(
    url: str,
    row: Any,
    owed: Mapping[tuple[str, str], Owing],
    spares: Mapping[str, list[tuple[str, str]]],
    sources: Sources,
    knowing: Sequence[str],
    today: date,
    unreliable: bool,
    *,
    new: bool,
) -> Matter:
    where = _where(row)
    holder = _holder(row)
    reasons: list[str] = []
    kinds: list[str] = []
    longest = 0
    for item in json.loads(row.what):
        if _in_words(item):
            not_recorded = f"{said(item['subject'])}: not recorded; {item['reason']}"
            what = capital(item["reason"] if item["subject"] in PLAIN else not_recorded)
            reasons.append(f"{what}.")
            continue
        if item["subject"] == "condition":
            reasons.append(f"{capital(said(item['reason']))} (source: {condition_source(item['reason'])}).")
            kinds.append(_kind_of(item, {}))
            continue
        duty = owed.get((holder, item["subject"])) or _from_case(holder, where, item, today)
        if duty.kind and _group(duty.kind) in map(_group, kinds) and unreliable:
            # The reasons say it already; what is new is for how long, and by which rule.
            since = f"{capital(late(duty.days_over))}, last good day was {say_day(duty.last_good_day)}"
            reasons.append(f"{since}: {sources.cite(because_of(duty.because))}.")
        else:
            reasons.append(" ".join(overdue_lines(sources, duty)))
        kinds.append(duty.kind)
        longest = max(longest, duty.days_over)
    if len(reasons) > REASONS:
        reasons[REASONS:] = [f"And {len(reasons) - REASONS} more; all of them are on the page."]
    wanted = {_group(kind) for kind in kinds}
    to_do = [*steps(kinds), *(line for group, line in spares.get(holder, []) if group in wanted)]
    word = UNRELIABLE_WORD if unreliable else late(longest) if longest > 0 else row.kind.replace("-", " ")
    return Matter(
        row.id,
        _title(row, where.about(kinds)),
        word,
        row.severity == "urgent",
        where.line or (where.site and "No spot and no address are on record.") or "It is about no one site.",
        tuple(reasons),
        tuple(to_do),
        tuple(_known(row, where, knowing, new=new)),
        url,
    )


def _in_words(item: Mapping[str, Any]) -> bool:
    """Whether the item is told in its own words alone, and not as a condition or as work of a kind that is overdue."""
    return item["subject"] != "condition" and (item["subject"] in PLAIN or item["last_good_day"] is None)


def _kind_of(item: Mapping[str, Any], overdue: Mapping[str, str]) -> str:
    """The kind of work that an item is about; `overdue` says it by subject, where the duty is still there."""
    return condition_kind(item["reason"]) if item["subject"] == "condition" else overdue.get(item["subject"], "")


def _from_case(holder: str, where: Where, item: dict[str, Any], today: date) -> Owing:
    """A duty as its case remembers it, where the duty itself is no longer there."""
    good = date.fromisoformat(item["last_good_day"]) if item["last_good_day"] else None
    because = [{"title": item["rule"], "force": item["force"], "source": item["source"], "evidence": item["reason"]}]
    overdue = str(Standing.OVERDUE)
    text = json.dumps(because, ensure_ascii=False)
    return Owing(holder, where, "", "", item["subject"], overdue, None, None, good, None, text, today)


def _known(row: Any, where: Where, knowing: Sequence[str], *, new: bool) -> Iterator[str]:
    yield f"{'New to you; open' if new else 'Open'} since {say_day(row.opened_on)}."
    if row.taken_by and row.taken_until is not None:
        until = say_instant(row.taken_until, where.zone)
        yield f"{row.taken_name or row.taken_by} had it until {until}; it is still open."
    if knowing:
        yield f"Who else knows: {names(knowing)}."
    else:
        yield "Nobody else has been told."


def _group(kind: str) -> str:
    return "pads" if kind.startswith("pads") else kind


def _spares(conn: Connection, rows: list[Any], now: datetime, on: date | None) -> dict[str, list[tuple[str, str]]]:
    """By holder, the spare pads and batteries on record there that are still good: their group and a line each."""
    at_units = {row.unit_id: row for row in rows if row.unit_id is not None}
    by_site: dict[int, list[Any]] = {}
    for row in at_units.values():
        by_site.setdefault(row.site_id, []).append(row)
    query = (
        select(parts.c.unit_id, parts.c.site_id, parts.c.kind, parts.c.last_good_day)
        .where(
            parts.c.state == "spare",
            or_(
                parts.c.unit_id.in_(list(at_units)),
                and_(parts.c.unit_id.is_(None), parts.c.site_id.in_(list(by_site))),
            ),
        )
        .order_by(parts.c.kind, parts.c.last_good_day.desc(), parts.c.id)
    )
    found: dict[str, list[tuple[str, str]]] = {}
    for unit_id, site_id, kind, good in conn.execute(query):
        for row in [at_units[unit_id]] if unit_id is not None else by_site[site_id]:
            if good is None or good < _today(row.time_zone, now, on):
                continue
            kept = "with this unit" if unit_id is not None else "at this site"
            line = f"Use the spare that is on record {kept}: {thing(kind)}, good to {say_day(good)}."
            listed = found.setdefault(_holder(row), [])
            if all(group != _group(kind) or kept not in told_of for group, told_of in listed):
                listed.append((_group(kind), line))
    return found
