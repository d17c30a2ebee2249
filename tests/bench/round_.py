"""A full round of a large fleet against a floor and a peer measured in the same run.

Floor: a raw sqlite3 loop that reads the same rows in the same batches, adds months and compares with what is stored.
Peer: the same reading and comparing as one ORM object a row. The round measured is an ordinary night: every duty is
reckoned anew, with its reasons, and compared; few have changed.
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
import time
from calendar import monthrange
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, registry

from nightround.bootstrap import Program
from nightround.reckoning.dates import working_days
from nightround.reckoning.duties import Reckoner
from nightround.reckoning.facts import Evidence, Part, Place, UnitFacts
from nightround.reckoning.rules import binding
from nightround.rounds.differences import because_text
from nightround.rounds.rulebook import load as load_rulebook
from nightround.rounds.tonight import RoundResult, run_round
from nightround.settings import load as load_settings
from nightround.store.database import Store, open_store
from nightround.store.schema import migrate
from nightround.store.tables import cases, conditions, duties, evidence, parts, units

from . import fleet
from .measure import peak_rss_mb

ZONE = "America/Los_Angeles"
BATCH = 1000


def run(units: int = 100_000, url: str | None = None, name: str = "round") -> dict[str, Any]:
    """Seconds of an ordinary night's round and of its floor, their ratio, and the peak memory of this process."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "fleet.db"
        store = open_store(url or f"sqlite:///{file}")
        migrate(store, fleet.NOW)
        fleet.build(store, units)
        program = Program(load_settings(None), store, lambda: fleet.NOW)
        first = _night(program, fleet.ON)
        rounds = [_night(program, fleet.ON + timedelta(days=n)) for n in (1, 2)]
        peak = peak_rss_mb()
        seconds = min(result.seconds for result in rounds)
        answer: dict[str, Any] = {
            "name": name,
            "units": units,
            "duties": rounds[-1].duties,
            "moves": rounds[-1].moves,
            "seconds": seconds,
            "first_round_seconds": first.seconds,
            "peak_rss_mb": peak,
        }
        if url is None:
            floor = _floor(file)
            answer |= {"floor_seconds": floor, "ratio": round(seconds / floor, 2)}
            orm = _least(lambda: _orm(store, min(units, 10_000))) * units / min(units, 10_000)
            answer |= {"orm_seconds": round(orm, 2), "faster_than_orm": round(orm / seconds, 1)}
        store.close()
        return answer


def _night(program: Program, on: date) -> RoundResult:
    result = run_round(program, ZONE, on, load_rulebook(program.settings))
    assert result is not None
    return result


def _least(work: Callable[[], float], times: int = 2) -> float:
    return min(work() for _ in range(times))


def _floor(file: Path) -> float:
    return _least(lambda: _raw(file))


def _raw(file: Path) -> float:
    started = time.perf_counter()
    conn = sqlite3.connect(file)
    after, differing = 0, 0
    while True:
        rows = conn.execute(
            "SELECT u.id, u.unit, u.model, u.in_service_on, s.country, s.subdivision, s.site_type, e.* FROM units u"
            " JOIN sites s ON s.id = u.site_id LEFT JOIN evidence e ON e.unit_id = u.id"
            " WHERE s.time_zone = ? AND u.id > ? ORDER BY u.id LIMIT ?",
            (ZONE, after, BATCH),
        ).fetchall()
        if not rows:
            break
        low, high = rows[0][0], rows[-1][0]
        stored: dict[int, dict[str, Any]] = {}
        for row in conn.execute(
            "SELECT unit_id, key, kind, subject, standing, opens, order_by, last_good_day, deadline, role, period,"
            " because, id, uid, sequence, revision FROM duties WHERE unit_id BETWEEN ? AND ?",
            (low, high),
        ):
            stored.setdefault(row[0], {})[row[1]] = row
        held: dict[int, list[Any]] = {}
        for row in conn.execute(
            "SELECT unit_id, id, kind, state, last_good_day, fitted_on FROM parts WHERE unit_id BETWEEN ? AND ?"
            " AND state != 'removed'",
            (low, high),
        ):
            held.setdefault(row[0], []).append(row)
        conditions = dict(
            conn.execute(
                "SELECT unit_id, condition FROM conditions WHERE unit_id BETWEEN ? AND ?", (low, high)
            ).fetchall()
        )
        for row in rows:
            found = stored.get(row[0], {})
            for name, day, months in (("look", row[8], 1), ("test", row[9], 6)):
                if name in found and found[name][7] != str(_months(date.fromisoformat(day), months)):
                    differing += 1
            for part in held.get(row[0], []):
                duty = found.get(f"{part[2]}/{part[3]}/{part[1]}")
                good = date.fromisoformat(part[4])
                if duty is None or duty[7] != part[4] or duty[6] != str(_months(good, -3)):
                    differing += 1
            if conditions.get(row[0]) is None:
                differing += 1
        after = high
    conn.close()
    return time.perf_counter() - started


def _months(day: date, n: int) -> date:
    months = day.month - 1 + n
    year, month = day.year + months // 12, months % 12 + 1
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def _orm(store: Store, count: int) -> float:
    class UnitRow: ...

    class PartRow: ...

    class EvidenceRow: ...

    class DutyRow: ...

    class ConditionRow: ...

    class CaseRow: ...

    mapping = registry()
    kinds = {
        UnitRow: units,
        PartRow: parts,
        EvidenceRow: evidence,
        DutyRow: duties,
        ConditionRow: conditions,
        CaseRow: cases,
    }
    for kind, table in kinds.items():
        mapping.map_imperatively(kind, table)
    working = working_days("US", "CA")
    place = Place(ZONE, "US", "CA", "office")
    day = fleet.ON + timedelta(days=2)
    book = load_rulebook(load_settings(None))
    reckoner = Reckoner(place, binding(book.rules, place, day), book.sheets, working, day)
    started = time.perf_counter()
    with Session(store.engine) as session:
        for unit in session.scalars(select(UnitRow).order_by(units.c.id).limit(count)):
            _one(session, unit, reckoner, PartRow, EvidenceRow, DutyRow, ConditionRow, CaseRow)
    elapsed = time.perf_counter() - started
    mapping.dispose()
    return elapsed


def _one(
    session: Session,
    unit: Any,
    reckoner: Reckoner,
    part_row: Any,
    evidence_row: Any,
    duty_row: Any,
    condition_row: Any,
    case_row: Any,
) -> None:
    said = session.get(evidence_row, unit.id)
    held = session.scalars(select(part_row).where(parts.c.unit_id == unit.id, parts.c.state != "removed"))
    found = session.scalars(select(duty_row).where(duties.c.unit_id == unit.id))
    by_key = {duty.key: duty for duty in found}
    facts = UnitFacts(
        unit.unit,
        unit.model,
        unit.in_service_on,
        tuple(Part(part.id, part.kind, part.state, part.last_good_day, part.fitted_on) for part in held),
        Evidence(looked_on=said.looked_on, tested_on=said.tested_on),
    )
    reckoned = reckoner.unit(facts)
    state = session.get(condition_row, unit.id)
    if state.condition != reckoned.condition:
        state.condition = str(reckoned.condition)
    reasons = json.dumps(reckoned.reasons, ensure_ascii=False)
    if state.reasons != reasons:
        state.reasons = reasons
    open_case = session.scalars(select(case_row).where(cases.c.unit_id == unit.id, cases.c.closed_at.is_(None))).first()
    if open_case is not None and not reckoned.reasons:
        open_case.state = "closed"
    for duty in reckoned.duties:
        old = by_key[duty.key]
        for name in ("standing", "opens", "order_by", "last_good_day"):
            if getattr(old, name) != getattr(duty, name):
                setattr(old, name, getattr(duty, name))
        text = because_text(duty.because)
        if old.because != text:
            old.because = text
