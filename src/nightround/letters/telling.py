"""Tells people of open cases: escalations, and the opening letter after an import. Stores letters; sends nothing.

Nothing is remembered but what the letter box and the tellings hold; a sweep that is killed or run twice tells nobody
twice and leaves nobody out. One message a person and sweep, besides the opening letter.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.exc import IntegrityError

from ..bootstrap import Program
from ..errors import UserError
from ..settings import Settings
from ..store.tables import messages, tellings
from . import box, escalation, opening
from .audience import Reader, report
from .compose import Letter, compose
from .errands import Errand, plan
from .matters import chunks

logger = logging.getLogger("nightround.letters.telling")


@dataclass(frozen=True, slots=True)
class Swept:
    """How many letters went into the letter box, and what nobody could be told."""

    letters: int
    findings: tuple[str, ...]


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
    with program.store.read() as conn:
        made = plan(conn, program.settings, now, on)
    going = made.going()
    letters = 0
    wrong: UserError | None = None
    for kind, errand in (
        *((escalation.KIND, errand) for errand in made.escalations),
        *((opening.KIND, errand) for errand in made.openings),
    ):
        if halted():
            break
        try:
            with program.store.read() as conn:
                found = letter_of(conn, program.settings, kind, errand, going, now, on)
        except UserError as error:
            logger.error("not told", extra={"person": errand.reader.person, "kind": kind, "why": str(error)})
            wrong = wrong or error
            continue
        if found is not None and _store(program, errand, *found):
            letters += 1
            told = {"person": errand.reader.person, "kind": kind, "cases": len(found[1])}
            logger.info("told", extra=told)
    report(logger, made.findings, now)
    if wrong is not None:
        raise wrong
    return Swept(letters, made.findings)


def letter_of(
    conn: Connection,
    settings: Settings,
    kind: str,
    errand: Errand,
    going: Mapping[int, Sequence[Reader]],
    now: datetime,
    on: date | None = None,
) -> tuple[Letter, list[int]] | None:
    """The letter of that errand and the cases in it, as it would be stored now; None where all have been closed."""
    others = {
        case_id: [other.called for other in going.get(case_id, ()) if other.id not in errand.twins]
        for case_id in errand.case_ids
    }
    room = escalation if kind == escalation.KIND else opening
    said, ids = room.content(conn, settings, errand, others, now, on)
    if not ids:
        return None
    reader = errand.reader
    letter = compose(
        settings,
        kind,
        f"{kind}/{reader.person}/{errand.step}/{ids[0]}",
        reader.addressee(),
        said,
        now,
        urgent=kind == escalation.KIND or said["unreliable"] > 0,
        references=_thread(conn, errand) if kind == escalation.KIND else (),
    )
    return letter, ids


def _store(program: Program, errand: Errand, letter: Letter, case_ids: list[int]) -> bool:
    """The letter and the tellings in one transaction; False where another node told them a moment earlier."""
    try:
        with program.store.write() as conn:
            message_id = box.post(conn, letter)
            if message_id is None:
                return False
            rows = [
                {"case_id": case_id, "person_id": errand.reader.id, "step": errand.step, "message_id": message_id}
                for case_id in case_ids
            ]
            conn.execute(insert(tellings), rows)
    except IntegrityError:
        logger.warning("told by another node meanwhile", extra={"person": errand.reader.person, "key": letter.key})
        return False
    return True


def _thread(conn: Connection, errand: Errand) -> tuple[str, ...]:
    """The Message-IDs of the first and the last letter to the person about any of the cases (RFC 5322 §3.6.4)."""
    first: int | None = None
    last: int | None = None
    for chunk in chunks(errand.case_ids):
        query = select(func.min(tellings.c.message_id), func.max(tellings.c.message_id)).where(
            tellings.c.case_id.in_(chunk), tellings.c.person_id == errand.reader.id
        )
        lowest, highest = conn.execute(query).one()
        if lowest is not None:
            first = lowest if first is None else min(first, lowest)
            last = highest if last is None else max(last, highest)
    if first is None:
        return ()
    query = select(messages.c.message_id).where(messages.c.id.in_({first, last})).order_by(messages.c.id)
    return tuple(conn.execute(query).scalars())
