"""Tells people of open cases: escalations, and the opening letter after an import. Stores letters; sends nothing.

Nothing is remembered but what the letter box and the tellings hold; a sweep that is killed or run twice tells nobody
twice and leaves nobody out. One message a person and sweep, besides the opening letter.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Connection, bindparam, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from ..bootstrap import Program
from ..cases import climbing
from ..errors import UserError
from ..rounds import events
from ..rounds.troubles import Kind, troubles
from ..settings import Settings
from ..store.recalling import recall
from ..store.tables import cases, climbs, messages, tellings
from . import box, closing, escalation, links, opening, service
from .audience import Reader, report
from .compose import Letter, compose
from .errands import plan
from .lists import Later, chunks
from .planned import Errand, Plan
from .withdrawing import withdraw_closed

logger = logging.getLogger("nightround.letters.telling")


@dataclass(frozen=True, slots=True)
class Swept:
    """How many letters went into the letter box, what nobody could be told, and `Plan.next_at`."""

    letters: int
    findings: tuple[str, ...]
    next_at: datetime | None


def sweep(
    program: Program, now: datetime, *, on: date | None = None, halted: Callable[[], bool] = lambda: False
) -> int:
    """Stores every escalation and opening letter owed at that instant (or on a civil date) and says how many.

    Raises UserError, after all other letters are stored, where one could not be made because a template is wrong.
    """
    return tell(program, now, on=on, halted=halted).letters


def tell(
    program: Program, now: datetime, *, on: date | None = None, halted: Callable[[], bool] = lambda: False
) -> Swept:
    """The same, with the findings; they are in the log as well."""
    withdraw_closed(program)
    with program.store.read() as conn:
        made = plan(conn, program.settings, now, on)
        over = closing.settled(conn)
    wrong_now = _wrong(program, now)
    lost = _go_on(program, made, over)
    going = made.going()
    letters = 0
    wrong: UserError | None = None
    for kind, errand in (
        *((escalation.KIND, errand) for errand in made.escalations),
        *((opening.KIND, errand) for errand in made.openings),
        *((closing.KIND, errand) for errand in made.closings),
    ):
        if halted():
            break
        errand.marks = {case_id: mark for case_id, mark in errand.marks.items() if case_id not in lost}
        if not errand.marks:
            continue
        try:
            with program.store.read() as conn:
                found = letter_of(conn, program.settings, kind, errand, going, now, on, wrong_now)
        except UserError as error:
            logger.error("not told", extra={"person": errand.reader.called, "kind": kind, "why": str(error)})
            wrong = wrong or error
            continue
        if found is not None and _store(program, errand, *found):
            letters += 1
            if made.resting is not None and kind != closing.KIND:
                for case_id in found[1]:
                    made.resting.told(case_id, errand.reader.mailbox)
            told = {"person": errand.reader.called, "kind": kind, "cases": len(found[1])}
            logger.info("told", extra=told)
    report(logger, made.findings, now)
    if wrong is not None:
        raise wrong
    return Swept(letters, made.findings, made.next_at)


def _wrong(program: Program, now: datetime) -> Callable[[Connection], tuple[str, ...]]:
    """What is wrong with the service, but for what an escalation says in its own words; looked up once a sweep."""

    found: list[tuple[str, ...]] = []

    def look(conn: Connection) -> tuple[str, ...]:
        if not found:
            wrong = troubles(conn, program.settings, now, full=program.store.full)
            found.append(service.said(wrong, (Kind.ROUND_OWED,)))
        return found[0]

    return look


def _go_on(program: Program, made: Plan, over: list[int]) -> set[int]:
    """Writes where the cases stand now, before anybody is told; gives those that another node took on meanwhile.

    A sweep that is killed after this tells the same people at the same step the next time.
    """
    if not made.changes and not over:
        return set()
    with program.store.write() as conn:
        held = climbing.keep(conn, made.changes)
        for chunk in chunks(over):
            conn.execute(update(climbs).where(climbs.c.case_id.in_(chunk)).values(closing_told=True))
    return {change.case_id for change in made.changes} - held


def letter_of(
    conn: Connection,
    settings: Settings,
    kind: str,
    errand: Errand,
    going: Mapping[int, Sequence[Reader]],
    now: datetime,
    on: date | None = None,
    wrong: Callable[[Connection], Sequence[str]] = lambda _: (),
) -> tuple[Letter, list[int]] | None:
    """The letter of that errand and the cases in it, as it would be stored now; None where all have been closed."""
    if kind == closing.KIND:
        said, ids = closing.content(conn, settings, errand, now)
    else:
        if kind == escalation.KIND:
            said, ids = escalation.content(conn, settings, errand, going, now, on, wrong)
        else:
            said, ids = opening.content(conn, settings, errand, going, now, on)
    if not ids:
        return None
    reader = errand.reader
    step = ".".join(map(str, errand.marks[ids[0]]))
    letter = compose(
        settings,
        kind,
        f"{kind}/{reader.person or links.mailbox(reader.mailbox)}/{errand.day}/{ids[0]}/{step}",
        reader.addressee(),
        said,
        now,
        counts_as=errand.counts_as,
        urgent=kind == escalation.KIND or (kind == opening.KIND and said["unreliable"] > 0),
        references=Later(lambda: _thread(conn, errand)) if kind != opening.KIND else (),
    )
    return letter, ids


def _store(program: Program, errand: Errand, letter: Letter, case_ids: list[int]) -> bool:
    """The letter and the tellings in one transaction; False where another node told them a moment earlier.

    A case that was closed since the letter was made keeps it back; the next sweep makes it anew.
    """
    try:
        with program.store.write() as conn:
            if letter.kind == escalation.KIND and not _all_open(conn, case_ids):
                return False
            message_id = box.post(conn, letter)
            if message_id is None:
                return False
            rows = [
                {
                    "case_id": case_id,
                    "person_id": errand.reader.id or None,
                    "mailbox": errand.told_at.get(case_id, errand.reader.mailbox),
                    "lap": errand.marks[case_id][0],
                    "rung": errand.marks[case_id][1],
                    "turn": errand.marks[case_id][2],
                    "message_id": message_id,
                }
                for case_id in case_ids
            ]
            conn.execute(_ADD_TELLINGS, rows)
            what = f"{letter.kind} to {errand.reader.called}"
            history = [
                events.event(case_id, letter.created_at, events.TOLD, errand.reader.person, what)
                for case_id in case_ids
            ]
            events.record_all(conn, history)
    except IntegrityError:
        logger.warning("told by another node meanwhile", extra={"person": errand.reader.called, "key": letter.key})
        return False
    return True


_ADD_TELLINGS = insert(tellings)


def _all_open(conn: Connection, case_ids: list[int]) -> bool:
    def none_closed() -> bool:
        return all(conn.execute(_CLOSED, {"b_ids": chunk}).first() is None for chunk in chunks(case_ids))

    return recall(conn, ("all open", *case_ids), (cases,), none_closed)


_CLOSED = (
    select(cases.c.id)
    .where(cases.c.id.in_(bindparam("b_ids", expanding=True)), cases.c.closed_at.is_not(None))
    .limit(1)
)


def _thread(conn: Connection, errand: Errand) -> tuple[str, ...]:
    """The Message-IDs of the first and the last letter to the person about any of the cases (RFC 5322 §3.6.4)."""
    first: int | None = None
    last: int | None = None
    for chunk in chunks(errand.case_ids):
        query = select(func.min(tellings.c.message_id), func.max(tellings.c.message_id)).where(
            tellings.c.case_id.in_(chunk), tellings.c.mailbox == errand.reader.mailbox
        )
        lowest, highest = conn.execute(query).one()
        if lowest is not None:
            first = lowest if first is None else min(first, lowest)
            last = highest if last is None else max(last, highest)
    if first is None:
        return ()
    query = select(messages.c.message_id).where(messages.c.id.in_({first, last})).order_by(messages.c.id)
    return tuple(conn.execute(query).scalars())
