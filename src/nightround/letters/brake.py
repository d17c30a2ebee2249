"""The flood brake: what a mailbox, and the whole fleet, may get within an hour. Holds back, never drops.

What is held stays owed: the next sweep finds it again, and it goes in one letter as soon as there is room. The last
place of an hour is kept for what is urgent; the fleet's last place for one letter to a coordinator that stands for
all that is held.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy import Connection, func, select

from ..reckoning.dates import local_day
from ..settings import Settings
from ..store.tables import messages, tellings
from .audience import ABOUT_CASES, Reader
from .matters import chunks
from .planned import Errand, Held, Mark, Plan
from .templates import say_count, say_instant

HOUR = timedelta(hours=1)
SHOWN = 5
PERSON, FLEET = "person_hour", "fleet_hour"  # the settings that limit
_KINDS = {"escalations": "escalation", "openings": "opening", "closings": "closing"}


def within(conn: Connection, settings: Settings, now: datetime, made: Plan, coordinators: Sequence[Reader]) -> Plan:
    """The plan with what is too much for this hour left out, what that is, and findings that say so."""
    gone = _gone(conn, now)
    total = sum(map(len, gone.values()))
    kept: dict[str, list[Errand]] = {name: [] for name in _KINDS}
    held: list[Held] = []
    ranked = [(name, errand) for name in kept for errand in getattr(made, name)]
    ranked.sort(key=lambda pair: not pair[1].urgent)
    most = settings.cases.person_hour
    for name, errand in ranked:
        went = gone.setdefault(errand.reader.mailbox, [])
        room = (most if errand.urgent else most - 1) - len(went)
        if room <= 0:
            room_at = went[-(most if errand.urgent else most - 1)] + HOUR
            held.append(Held(errand, _KINDS[name], PERSON, room_at))
        elif total >= settings.cases.fleet_hour - 1:
            held.append(Held(errand, _KINDS[name], FLEET, now))
        else:
            went.append(now)
            total += 1
            if room == 1:
                errand.last_until = went[-most if len(went) >= most else 0] + HOUR
            kept[name].append(errand)
    findings = list(made.findings)
    for_fleet = [one.errand for one in held if one.limit == FLEET]
    if for_fleet and total < settings.cases.fleet_hour:
        one = _for_all(conn, settings, for_fleet, coordinators, gone, now)
        if one is not None:
            kept["escalations"] = [errand for errand in kept["escalations"] if errand.reader != one.reader] + [one]
    findings += _said(settings, held)
    return replace(
        made,
        escalations=tuple(kept["escalations"]),
        openings=tuple(kept["openings"]),
        closings=tuple(kept["closings"]),
        findings=tuple(findings),
        held=tuple(_with_room(settings, held, gone)),
    )


def is_full(conn: Connection, settings: Settings, now: datetime) -> bool:
    """Whether so much went within the hour that something may be held back: a cheap look, before the plan is made."""
    gone = _gone(conn, now).values()
    most = max(map(len, gone), default=0)
    return most >= settings.cases.person_hour - 1 or sum(map(len, gone)) >= settings.cases.fleet_hour - 1


def _with_room(settings: Settings, held: Sequence[Held], gone: Mapping[str, Sequence[datetime]]) -> list[Held]:
    """The same, with when the whole fleet has room again, where that is what they wait for."""
    places = settings.cases.fleet_hour - 1
    went = sorted(at for times in gone.values() for at in times)
    return [one._replace(room_at=went[-places] + HOUR) if one.limit == FLEET else one for one in held]


def _gone(conn: Connection, now: datetime) -> dict[str, list[datetime]]:
    """By mailbox, when the letters about cases of the last hour were written, the oldest first."""
    query = (
        select(func.lower(messages.c.to_address), messages.c.created_at)
        .where(messages.c.created_at > now - HOUR, messages.c.created_at <= now, messages.c.kind.in_(ABOUT_CASES))
        .order_by(messages.c.created_at)
    )
    found: dict[str, list[datetime]] = {}
    for mailbox, at in conn.execute(query):
        found.setdefault(mailbox, []).append(at)
    return found


def _for_all(
    conn: Connection,
    settings: Settings,
    held: list[Errand],
    coordinators: Sequence[Reader],
    gone: dict[str, list[datetime]],
    now: datetime,
) -> Errand | None:
    """One letter to the first coordinator who may still get one, about every case in the letters that are held."""
    for reader in coordinators:
        if len(gone.get(reader.mailbox, ())) >= settings.cases.person_hour:
            continue
        one = Errand(reader, local_day(now, reader.zone).isoformat(), whys={"coordinator"}, urgent=True)
        for errand in held:
            one.marks |= {case_id: mark for case_id, mark in errand.marks.items() if mark[1] >= 0}
        for case_id in _had(conn, reader, one.marks):
            del one.marks[case_id]
        one.stands_for = tuple(dict.fromkeys(errand.reader.called for errand in held))
        return one if one.marks else None
    return None


def _had(conn: Connection, reader: Reader, marks: Mapping[int, Mark]) -> list[int]:
    """Those of the cases that the mailbox was told of at just that step."""
    found = []
    for chunk in chunks(list(marks)):
        query = select(tellings.c.case_id, tellings.c.lap, tellings.c.rung, tellings.c.turn).where(
            tellings.c.case_id.in_(chunk), tellings.c.mailbox == reader.mailbox
        )
        found += [case_id for case_id, *mark in conn.execute(query) if tuple(mark) == marks[case_id]]
    return found


def _said(settings: Settings, held: Sequence[Held]) -> list[str]:
    found = []
    for_person = [one for one in held if one.limit == PERSON]
    for errand, _, _, until in for_person[:SHOWN]:
        room = say_instant(until, errand.reader.zone)
        found.append(
            f"{errand.reader.called} is told of {say_count(len(errand.marks), 'case')} after {room}: "
            f"{settings.cases.person_hour} letters within an hour are the limit (cases.person_hour)"
        )
    if len(for_person) > SHOWN:
        found.append(
            f"{len(for_person) - SHOWN} more people wait for their letters because of the limit cases.person_hour"
        )
    if len(held) > len(for_person):
        found.append(
            f"{say_count(len(held) - len(for_person), 'letter')} held back: {settings.cases.fleet_hour} within an "
            "hour are the limit of the fleet (cases.fleet_hour)"
        )
    return found
