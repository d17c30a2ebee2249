"""One unit: its condition with the reasons, what it owes and why, its parts, its log, and the forms for the log."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select
from starlette.responses import Response

from ..errors import UserError
from ..reckoning.dates import local_day
from ..register.fitting import Unlikely, label_day, remarks_on
from ..register.found import LabelDate
from ..register.labelled import of_part
from ..register.log import NewEntry
from ..register.recording import PART_KINDS
from ..store.tables import duties, log, parts
from . import asked, history, owing
from .doors import NOT_FOUND, Refused, Visit, not_found, whole
from .fleet_state import round_of
from .forms import (
    BATTERY_WORDS,
    CHECK_READINGS,
    NOTE_LENGTH,
    PROBLEM_LABELS,
    SCOPE_WORDS,
    log_entry,
    note_of,
)
from .look import in_path
from .lookup import UnitSeen, unit_by_code
from .matters import cases_of_unit
from .moving import may_move, sites_of
from .recording import Done, write_entry


def show(visit: Visit) -> Response:
    """The page."""
    return _page(visit)


def write(visit: Visit) -> Response:
    """Adds the entry that the form holds, and shows the page with what came of it."""
    with visit.program.store.read() as conn:
        unit = unit_by_code(conn, visit.known, visit.path("code"))
    if unit is None:
        raise not_found()
    try:
        if visit.form.get("entry") == "struck":
            done = _strike(visit, unit)
        elif visit.form.get("entry") == asked.NOTICE:
            done = _notice(visit, unit)
        else:
            allowed = visit.known.may_write()
            entry = log_entry(visit.form, unit.id, unit.zone, visit.known.person, allowed, visit.now)
            odd = visit.form.get("accept-odd") == "yes"
            moves = may_move(visit.known, entry)

            def check(conn: Connection) -> None:
                asked.check_report(conn, entry)
                moves(conn)

            done = write_entry(visit.program, entry, check, accept_odd=odd)
    except Unlikely as error:
        wrong = f"{error.why}. Correct it, or say below the date that it is printed so. Nothing was recorded."
        return _page(visit, wrong=wrong, typed=visit.form, odd=True)
    except UserError as error:
        return _page(visit, wrong=f"{error}".rstrip(".") + ". Nothing was recorded.", typed=visit.form)
    return visit.go(f"/units/{in_path(unit.unit)}?{done.query()}#recorded")


def _notice(visit: Visit, unit: UnitSeen) -> Done:
    if "reported" not in visit.known.may_write():
        raise UserError("You may not record what was done about a notice; ask the unit's coordinator to")
    entry = asked.notice_entry(visit.form, unit, visit.known.person, visit.now)
    return write_entry(
        visit.program, entry, lambda conn: asked.check_notice(conn, visit.program, unit, entry, visit.now)
    )


def _strike(visit: Visit, unit: UnitSeen) -> Done:
    if not visit.known.looks_after:
        raise Refused(403, "Only a coordinator or whoever is on call may correct the log.", "Ask the coordinator to.")
    wanted = whole(visit.form.get("strikes", ""))
    why = note_of(visit.form)
    if not why:
        raise UserError("A correction needs a reason: say why the entry was wrong")
    with visit.program.store.read() as conn:
        mine = conn.execute(select(log.c.id).where(log.c.id == wanted, log.c.unit_id == unit.id)).first()
    if mine is None:
        raise Refused(404, *NOT_FOUND)
    entry = NewEntry(unit.id, visit.now, "struck", visit.known.person, note=why, strikes=wanted, source="page")
    return write_entry(visit.program, entry)


def _page(visit: Visit, *, wrong: str = "", typed: Mapping[str, str] | None = None, odd: bool = False) -> Response:
    skip = visit.number("skip")
    with visit.program.store.read() as conn:
        unit = unit_by_code(conn, visit.known, visit.path("code"))
        if unit is None:
            raise not_found()
        owed = owing.read(conn, owing.by_day(owing.visible(visit.known, duties.c.unit_id == unit.id)), visit.now)
        owed.sort(key=lambda duty: owing.STANDINGS.index(duty.standing))
        entries, total = history.entries(conn, unit.id, skip)
        done = visit.number("done")
        content: dict[str, Any] = {
            "unit": unit,
            "owed": owed,
            "parts": _parts(conn, unit.id),
            "notices": asked.notices_of(conn, visit.program, unit, visit.now),
            "reports": asked.reports_of(owed),
            "cases": cases_of_unit(conn, unit.id, visit.now),
            "entries": entries,
            "entries_total": total,
            "move_sites": sites_of(conn, visit.known),
            "skip": skip,
            "page_size": history.PAGE,
            "recorded": history.one(conn, unit.id, done) if done else None,
            "remarks": _remarks(conn, unit, done) if done else [],
            "late": visit.asked("late") == "1",
            "round": round_of(conn, unit.zone, visit.now),
        }
    return visit.page(
        "unit.html",
        400 if wrong else 200,
        [unit.country],
        today=local_day(visit.now, unit.zone),
        may=visit.known.may_write(),
        may_strike=visit.known.looks_after,
        wrong=wrong,
        odd=odd,
        **form_content(typed or {}),
        **content,
    )


def _remarks(conn: Connection, unit: UnitSeen, entry_id: int) -> list[str]:
    """What is to be said of a fitted part's label: where its code contradicts what was typed, or could not be read."""
    row = conn.execute(
        select(log.c.at, log.c.part).where(log.c.id == entry_id, log.c.unit_id == unit.id, log.c.entry == "fitted")
    ).first()
    told = {} if row is None else json.loads(row.part)
    if row is None or not told:
        return []
    fitted = conn.execute(
        select(parts.c.udi).where(parts.c.unit_id == unit.id, parts.c.kind == told["kind"], parts.c.state == "fitted")
    ).first()
    typed = told.get("label_date", "")
    udi = told.get("udi") or (fitted.udi if fitted is not None else "")
    label = LabelDate(typed, label_day(typed)) if typed else None
    return remarks_on(of_part(udi, told.get("lot", ""), label, local_day(row.at, unit.zone)))


def form_content(typed: Mapping[str, str]) -> dict[str, object]:
    """What the log forms are made of; `typed` is what was sent before, so that nobody has to type it again."""
    return {
        "typed": typed,
        "readings": CHECK_READINGS,
        "battery_words": BATTERY_WORDS,
        "scopes": SCOPE_WORDS,
        "problems": PROBLEM_LABELS,
        "part_kinds": PART_KINDS,
        "note_length": NOTE_LENGTH,
    }


def _parts(conn: Connection, unit_id: int) -> list[Any]:
    query = (
        select(parts)
        .where(parts.c.unit_id == unit_id, parts.c.state.in_(("fitted", "spare")))
        .order_by(parts.c.state, parts.c.kind, parts.c.last_good_day, parts.c.id)
    )
    return list(conn.execute(query))
