"""One unit: its condition with the reasons, what it owes and why, its parts, its log, and the forms for the log."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select
from starlette.responses import Response

from ..errors import UserError
from ..reckoning.dates import local_day
from ..register.log import NewEntry
from ..register.recording import PART_KINDS
from ..store.tables import duties, log, parts
from . import history, owing
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
        else:
            allowed = visit.known.may_write()
            entry = log_entry(visit.form, unit.id, unit.zone, visit.known.person, allowed, visit.now)
            done = write_entry(visit.program, entry, may_move(visit.known, entry))
    except UserError as error:
        return _page(visit, wrong=f"{error}".rstrip(".") + ". Nothing was recorded.", typed=visit.form)
    return visit.go(f"/units/{in_path(unit.unit)}?{done.query()}#recorded")


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


def _page(visit: Visit, *, wrong: str = "", typed: Mapping[str, str] | None = None) -> Response:
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
            "cases": cases_of_unit(conn, unit.id, visit.now),
            "entries": entries,
            "entries_total": total,
            "move_sites": sites_of(conn, visit.known),
            "skip": skip,
            "page_size": history.PAGE,
            "recorded": history.one(conn, unit.id, done) if done else None,
            "late": visit.asked("late") == "1",
            "round": round_of(conn, unit.zone, visit.now),
        }
    return visit.page(
        "unit.html",
        400 if wrong else 200,
        today=local_day(visit.now, unit.zone),
        may=visit.known.may_write(),
        may_strike=visit.known.looks_after,
        wrong=wrong,
        **form_content(typed or {}),
        **content,
    )


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
        .where(parts.c.unit_id == unit_id, parts.c.state != "removed")
        .order_by(parts.c.state, parts.c.kind, parts.c.last_good_day, parts.c.id)
    )
    return list(conn.execute(query))
