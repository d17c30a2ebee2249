"""The weekly letter: who is owed one now, and what it says. Also goes out where nothing is wrong, in three lines.

What is owed is decided by the letter box: one letter a person and ISO week, whenever the service comes to it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import ColumnElement, Connection, bindparam, select

from ..bootstrap import Program
from ..cases.rota.saying import on_call_now
from ..errors import UserError
from ..reckoning.dates import local_day, local_instant
from ..rounds.announcing import announcements
from ..rounds.rulebook import load as load_rulebook
from ..rounds.troubles import Kind, Trouble, troubles
from ..settings import Settings
from ..store.tables import messages, sites
from . import box, links, service
from .audience import WEEKLY_ROLES, Reader, readers, report, unreached
from .changes import changes
from .compose import Letter, compose
from .content import gather
from .gaps import Gaps, gaps
from .items import NOTICE
from .lists import Later
from .nights import nights, set_aside
from .situation import Reckoned, Situation, Stored
from .templates import say_count, say_instant

logger = logging.getLogger("nightround.letters.weekly")

KIND = "weekly"
SHOWN_ASIDE = 5


@dataclass(frozen=True, slots=True)
class Posted:
    """How many letters went into the letter box, and who should have had one and cannot."""

    letters: int
    findings: tuple[str, ...]


def post_owed(
    program: Program, now: datetime, *, on: date | None = None, halted: Callable[[], bool] = lambda: False
) -> int:
    """Stores every weekly letter that is owed at that instant (or on a civil date) and says how many.

    Once `halted` says so, no further letter is begun; what is left stays owed.

    Raises UserError, after all other letters are stored, where one could not be made because a template is wrong.
    """
    posted = post(program, now, on=on, halted=halted)
    return posted.letters


def post(
    program: Program, now: datetime, *, on: date | None = None, halted: Callable[[], bool] = lambda: False
) -> Posted:
    """The same, with the findings; they are in the log as well."""
    with program.store.read() as conn:
        everybody = readers(conn, program.settings, WEEKLY_ROLES, at=now)
        owed = _owed(conn, program.settings, everybody, now, on)
        wrong = troubles(conn, program.settings, now, full=program.store.full) if owed else []
    findings = tuple(unreached(reader) for reader, _ in owed if not reader.reached)
    letters = 0
    faulty: UserError | None = None
    for reader, week in owed:
        if halted():
            break
        if not reader.reached:
            continue
        try:
            with program.store.read() as conn:
                letter = letter_of(conn, program.settings, reader, week, now, on=on, wrong=wrong)
        except UserError as error:
            logger.error("weekly letter not made", extra={"person": reader.person, "why": str(error)})
            faulty = faulty or error
            continue
        with program.store.write() as conn:
            if box.post(conn, letter) is not None:
                letters += 1
                logger.info("weekly letter stored", extra={"person": reader.person, "week": week})
    report(logger, findings, now)
    if faulty is not None:
        raise faulty
    return Posted(letters, findings)


def _owed(
    conn: Connection, settings: Settings, everybody: list[Reader], now: datetime, on: date | None
) -> list[tuple[Reader, str]]:
    """The readers whose letter is not in the letter box though its hour has come, with the week it is for."""
    due = []
    for reader in everybody:
        found = None if reader.letters_off else _due(settings, reader, now, on)
        if found is not None:
            due.append((reader, *found))
    have = _kept(conn, [key(reader, week) for reader, week, _ in due])
    return [
        (reader, week)
        for reader, week, over in due
        # A week that is over is made up for only where letters had begun: nobody's first letter is an old one.
        if key(reader, week) not in have and (not over or previous(conn, reader, week) is not None)
    ]


def _due(settings: Settings, reader: Reader, now: datetime, on: date | None) -> tuple[str, bool] | None:
    """The last week whose hour has come for the reader, and whether that week is over."""
    weekday, at = settings.letters.weekday, settings.letters.at
    if on is not None:
        return (iso_week(on), False) if on.isoweekday() >= weekday else None
    today = local_day(now, reader.zone)
    day = today + timedelta(days=weekday - today.isoweekday())
    if local_instant(day, at, reader.zone) <= now:
        return iso_week(day), False
    return iso_week(day - timedelta(days=7)), True


def _kept(conn: Connection, keys: list[str]) -> set[str]:
    """Which of the keys are in the letter box."""
    have: set[str] = set()
    for start in range(0, len(keys), 500):
        have |= set(conn.execute(_KEPT, {"b_keys": keys[start : start + 500]}).scalars())
    return have


_KEPT = select(messages.c.key).where(messages.c.key.in_(bindparam("b_keys", expanding=True)))


def iso_week(day: date) -> str:
    """The ISO week of the day, such as `2026-W48`."""
    year, week, _ = day.isocalendar()
    return f"{year:04}-W{week:02}"


def key(reader: Reader, week: str) -> str:
    """What makes a letter unique: the person and the week."""
    return f"{KIND}/{reader.person}/{week}"


def previous(conn: Connection, reader: Reader, week: str) -> datetime | None:
    """When the person's last weekly letter before that week's was written; given up ones do not count."""
    query = (
        select(messages.c.created_at)
        .where(
            messages.c.person_id == reader.id,
            messages.c.kind == KIND,
            messages.c.key < key(reader, week),
            messages.c.state != "given up",
        )
        .order_by(messages.c.created_at.desc())
        .limit(1)
    )
    found: datetime | None = conn.execute(query).scalar_one_or_none()
    return found


def letter_of(
    conn: Connection,
    settings: Settings,
    reader: Reader,
    week: str,
    now: datetime,
    *,
    on: date | None = None,
    situation: Situation | None = None,
    wrong: Sequence[Trouble] | None = None,
) -> Letter:
    """The letter of that week as it would be stored now; stores nothing.

    `on` is the civil day it is about (default: the present day where the reader is). `situation` is where its rows
    come from (default: as the last rounds left them), `wrong` what is wrong with the service (default: it is looked
    up, which is slow in a full letter box). Raises UserError where a template is wrong.
    """
    seen = reader.sites()
    today = on or local_day(now, reader.zone)
    rows = situation or Stored(conn, seen, now, on)
    content = gather(settings, rows, today)
    ran = nights(conn, seen, now)
    aside = set_aside(conn, seen)
    rehearsed = isinstance(rows, Reckoned)
    # A round that is late has its own place at the head of the letter.
    found = () if rehearsed else troubles(conn, settings, now) if wrong is None else wrong
    service_wrong = service.said(found, (Kind.ROUND_OWED,) if ran.late else ())
    before = previous(conn, reader, week)
    lists = {name: getattr(content, name) for name in type(content).__dataclass_fields__ if name != "sources"}
    said: dict[str, Any] = {
        **lists,
        "owed": content.owed,
        "by_condition": tuple((bar.number, bar.word) for bar in content.bars),
        "quiet": content.quiet and not (ran.late or aside or rehearsed or service_wrong),
        "rules": tuple(source.line for source in content.sources.listed()),
        "reckoned_for": today if rehearsed else None,
        "week": week,
        "number": int(week.partition("-W")[2]),
        "day": today,
        "zone": reader.zone,
        "late": ran.late,
        "service_wrong": service_wrong,
        "service_happened": Later(lambda: () if rehearsed else service.happened(conn, before)),
        "rounds": ran.lines,
        "last_round": ran.short,
        "set_aside": aside[:SHOWN_ASIDE],
        "set_aside_total": len(aside),
        "changes": Later(lambda: changes(conn, seen, before)),
        "gaps": Later(lambda: _gaps(conn, settings, reader, now)),
        "to_come": Later(lambda: _to_come(conn, settings, seen, today)),
        "roles": tuple(role for role in WEEKLY_ROLES if role in reader.roles),
        "sites": Later(lambda: _sites(conn, reader)),
        "urls": _urls(settings, content.until),
    }
    stop = links.unsubscribe_url(settings, reader.person)
    return compose(settings, KIND, key(reader, week), reader.addressee(), said, now, unsubscribe_url=stop)


def _gaps(conn: Connection, settings: Settings, reader: Reader, now: datetime) -> Gaps:
    """What is missing in the register, and in the rota for the reader's sites."""
    seen = reader.sites()
    rota = on_call_now(conn, settings, now, None if reader.whole_fleet else seen)
    return gaps(conn, seen, local_day(now, reader.zone), rota.wrong(lambda at: say_instant(at, reader.zone)))


def _to_come(conn: Connection, settings: Settings, seen: ColumnElement[bool], today: date) -> tuple[str, ...]:
    """A sentence for each rule that will start at the reader's sites; or that nobody can tell."""
    try:
        book = load_rulebook(settings)
    except UserError:
        # The round says what is wrong with the packs; a letter without it is better than none.
        return ("The rule packs cannot be read, so that no rule to come can be told here.",)
    return tuple(item.sentence() for item in announcements(conn, book, today, among=seen))


def _sites(conn: Connection, reader: Reader) -> str:
    """The reader's sites in words."""
    if reader.whole_fleet:
        return "all sites"
    names = conn.execute(select(sites.c.name, sites.c.site).where(reader.sites()).order_by(sites.c.site)).all()
    if len(names) == 1:
        return f"{names[0].name or names[0].site}"
    return say_count(len(names), "site")


def _urls(settings: Settings, until: date) -> dict[str, str]:
    """Where all of each list is shown."""
    base = settings.web.base_url.rstrip("/")
    by_condition = {"unreliable": "not to be relied on", "no_evidence": "no evidence", "withdrawn": "withdrawn"}
    by_standing = {"overdue": "overdue", "order_now": "order now", "not_recorded": "not recorded"}
    return {
        **{name: f"{base}/units?{urlencode({'condition': word})}" for name, word in by_condition.items()},
        **{name: f"{base}/duties?{urlencode({'standing': word})}" for name, word in by_standing.items()},
        "this_week": f"{base}/duties?{urlencode({'until': until.isoformat()})}",
        "notices": f"{base}/duties?{urlencode({'kind': NOTICE})}",
        "all": f"{base}/",
    }
