"""Decides who is to be told of which open case now. Looks only; each case and mailbox at most once.

1. A case falls to who is on call for its site (by the rota, where one covers this moment); where nobody of them can
   be reached, to the coordinators, then to the managers.
2. Whoever was not yet told of it is told at once; from then on once a civil day in their zone, at the hour of
   `letters.at`, until it is closed or taken.
3. What was already wrong when a unit came in, and was never escalated, goes to those and to the site's coordinators
   and managers in one opening letter each.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from sqlalchemy import Connection, select

from ..reckoning.dates import local_day, local_instant
from ..rounds.zones import owed_date
from ..settings import Settings
from ..store.tables import cases, messages, sites, tellings
from .audience import LADDER, Reader, Watch
from .matters import Open, chunks, open_cases
from .templates import say_count

# An opening letter is for what has just come in; what is found later to be untold is told like any other case.
OPENING = timedelta(hours=48)
# Besides whom a case falls to anyway, these get the opening letter.
_OPENED_TO = ("coordinator", "manager")
SHOWN_SITES = 5


@dataclass(slots=True)
class Errand:
    """What one person is to be told in one letter. `step` is the civil day in their zone, ISO.

    `before` holds the cases they were told of on an earlier step, `twins` everybody with the same mailbox, `whys`
    the roles in which it falls to them, `gaps` who should have been told before them.
    """

    reader: Reader
    step: str
    case_ids: list[int] = field(default_factory=list)
    before: set[int] = field(default_factory=set)
    twins: set[int] = field(default_factory=set)
    whys: set[str] = field(default_factory=set)
    gaps: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Plan:
    """Who is told what: escalations, opening letters, and what nobody can be told."""

    escalations: tuple[Errand, ...]
    openings: tuple[Errand, ...]
    findings: tuple[str, ...]

    def going(self) -> dict[int, list[Reader]]:
        """By case, everybody who is told of it in this sweep."""
        found: dict[int, list[Reader]] = {}
        for errand in (*self.escalations, *self.openings):
            for case_id in errand.case_ids:
                found.setdefault(case_id, []).append(errand.reader)
        return found


def plan(conn: Connection, settings: Settings, now: datetime, on: date | None = None) -> Plan:
    """What is owed at that instant, or on a civil date."""
    at = _moment(settings, now, on)
    open_now = open_cases(conn, at)
    if not open_now:
        return Plan((), (), ())
    at_site: dict[int, list[Open]] = {}
    for case in open_now:
        at_site.setdefault(case.site_id, []).append(case)
    watch = Watch(conn, settings, at, set(at_site))
    falls_to: dict[int, list[Open]] = {}
    for site_id, here in at_site.items():
        for reader in watch.of(site_id).people:
            falls_to.setdefault(reader.id, []).extend(here)
    newcomers = _never_escalated(conn, now, open_now)
    opened_to = _opened_to(watch, [case for case in open_now if case.id in newcomers])
    twins = _mailboxes(watch.people)
    given: dict[str, set[int]] = {}
    escalations: list[Errand] = []
    openings: list[Errand] = []
    for reader in watch.people:
        if not reader.reached:
            continue
        step = (on or local_day(now, reader.zone)).isoformat()
        since = on or owed_date(reader.zone, now, settings.letters.at)
        told_today = Errand(reader, step, twins=twins[reader.mailbox])
        first = Errand(reader, step, twins=twins[reader.mailbox], whys=set(reader.roles & {"on-call", *_OPENED_TO}))
        had = given.setdefault(reader.mailbox, set())
        theirs = _untold_since(conn, told_today.twins, since, falls_to.get(reader.id, []))
        theirs = [case for case in theirs if case.id not in had]
        told_today.before = _ever_told(conn, told_today.twins, [case.id for case in theirs])
        for case in theirs:
            if case.id in newcomers and case.id not in told_today.before:
                first.case_ids.append(case.id)
            else:
                told_today.case_ids.append(case.id)
                told = watch.of(case.site_id)
                told_today.whys.add(told.why if told.why in reader.roles else LADDER[0])
                told_today.gaps.add(told.gap)
        had.update(told_today.case_ids, first.case_ids)
        new = [case_id for case_id in opened_to.get(reader.id, []) if case_id not in had]
        first.case_ids += sorted(set(new) - _ever_told(conn, first.twins, new))
        had.update(first.case_ids)
        escalations += [told_today] if told_today.case_ids else []
        openings += [first] if first.case_ids else []
    return Plan(tuple(escalations), tuple(openings), _untellable(conn, watch, at_site))


def _opened_to(watch: Watch, newcomers: list[Open]) -> dict[int, list[int]]:
    """By person, the cases that came in with their units and that go to them in an opening letter."""
    found: dict[int, list[int]] = {}
    known: dict[int, list[Reader]] = {}
    for case in newcomers:
        if case.site_id not in known:
            known[case.site_id] = [reader for role in _OPENED_TO for reader in watch.holders(case.site_id, role)]
        for reader in known[case.site_id]:
            found.setdefault(reader.id, []).append(case.id)
    return found


def _mailboxes(everybody: list[Reader]) -> dict[str, set[int]]:
    """By mailbox, the people whose it is."""
    found: dict[str, set[int]] = {}
    for reader in everybody:
        found.setdefault(reader.mailbox, set()).add(reader.id)
    return found


def _moment(settings: Settings, now: datetime, on: date | None) -> datetime:
    """The instant by which rotas and takings are judged: now, or the morning of another civil date."""
    zone = settings.fleet.time_zone
    return now if on is None or on == local_day(now, zone) else local_instant(on, settings.letters.at, zone)


def _never_escalated(conn: Connection, now: datetime, open_now: list[Open]) -> set[int]:
    """The cases that came in with their units not long ago and that no escalation has told of yet."""
    new = {case.id for case in open_now if case.found_at_import and now - case.opened_at <= OPENING}
    if not new:
        return new
    query = (
        select(tellings.c.case_id)
        .join(messages, messages.c.id == tellings.c.message_id)
        .join(cases, cases.c.id == tellings.c.case_id)
        .where(
            cases.c.found_at_import,
            cases.c.closed_at.is_(None),
            cases.c.opened_at >= now - OPENING,
            messages.c.kind == "escalation",
        )
        .distinct()
    )
    return new - set(conn.execute(query).scalars())


def _untold_since(conn: Connection, people: set[int], since: date, theirs: list[Open]) -> list[Open]:
    """Those of the cases that none of these people was told of on that civil day or later."""
    if not theirs:
        return []
    query = select(tellings.c.case_id).where(tellings.c.person_id.in_(people), tellings.c.step >= since.isoformat())
    told = set(conn.execute(query).scalars())
    return [case for case in theirs if case.id not in told]


def _ever_told(conn: Connection, people: set[int], case_ids: list[int]) -> set[int]:
    """Those of the cases that one of these people was told of at any time."""
    found: set[int] = set()
    for chunk in chunks(case_ids):
        query = select(tellings.c.case_id).where(tellings.c.case_id.in_(chunk), tellings.c.person_id.in_(people))
        found |= set(conn.execute(query).scalars())
    return found


def _untellable(conn: Connection, watch: Watch, at_site: dict[int, list[Open]]) -> tuple[str, ...]:
    """The sites where something is open and nobody can be told, by what is missing there."""
    missing: dict[str, list[int]] = {}
    for site_id in at_site:
        told = watch.of(site_id)
        if not told.people:
            missing.setdefault(told.gap, []).append(site_id)
    found = []
    for gap, site_ids in missing.items():
        number = sum(len(at_site[site_id]) for site_id in site_ids)
        query = select(sites.c.site).where(sites.c.id.in_(site_ids[:SHOWN_SITES])).order_by(sites.c.site)
        codes = list(conn.execute(query).scalars())
        more = f" and {len(site_ids) - len(codes)} more" if len(site_ids) > len(codes) else ""
        cases_said = say_count(number, "open case")
        found.append(f"nobody is told of {cases_said}: {gap} (sites: {', '.join(codes)}{more})")
    return tuple(found)
