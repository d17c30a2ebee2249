"""Open cases, and who has one in hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, case, select, update

from ..errors import UserError
from ..rounds import events
from ..rounds.causes import sentences
from ..store.tables import cases, people, sites, units
from .climbing import put_back

DEFAULT = timedelta(hours=24)
LONGEST = timedelta(days=31)


def open_cases(conn: Connection, now: datetime) -> list[dict[str, Any]]:
    """Every case whose cause remains, worst first. A case taken until a time that has passed is open again."""
    worst = case({"urgent": 0, "soon": 1, "routine": 2}, value=cases.c.severity)
    query = (
        select(cases, units.c.unit, sites.c.site)
        .outerjoin(sites, sites.c.id == cases.c.site_id)
        .outerjoin(units, units.c.id == cases.c.unit_id)
        .where(cases.c.closed_at.is_(None))
        .order_by(worst, cases.c.opened_on, cases.c.id)
    )
    found = []
    for row in conn.execute(query):
        taken = row.state == "taken" and row.taken_until is not None and row.taken_until > now
        found.append(
            {
                "case": row.id,
                "kind": row.kind,
                "severity": row.severity,
                "state": "taken" if taken else "open",
                "said": f"taken by {row.taken_by}" if taken else "open",
                "unit": row.unit,
                "site": row.site,
                "opened_on": row.opened_on,
                "taken_by": row.taken_by if taken else "",
                "taken_until": row.taken_until if taken else None,
                "reasons": sentences(row.what),
            }
        )
    return found


def take(conn: Connection, case_id: int, person: str, until: datetime, now: datetime) -> None:
    """Marks the case as taken by the person until an instant; it is quiet until then, and then begins at the top.

    Raises UserError where there is no such person or case, the case is closed, or the time is past or too far off.
    """
    if conn.execute(select(people.c.id).where(people.c.person == person)).first() is None:
        raise UserError(f"person {person!r} is not in the register; give the person's code")
    if not now < until <= now + LONGEST:
        raise UserError(f"until {until.isoformat()} is not within the next {LONGEST.days} days; choose an earlier time")
    changed = conn.execute(
        update(cases)
        .where(cases.c.id == case_id, cases.c.closed_at.is_(None))
        .values(state="taken", taken_by=person, taken_until=until)
    )
    if changed.rowcount == 1:
        severity = conn.execute(select(cases.c.severity).where(cases.c.id == case_id)).scalar_one()
        put_back(conn, case_id, until, severity)
        events.record(conn, case_id, now, events.TAKEN, person, f"until {until.astimezone(UTC):%Y-%m-%d %H:%M} UTC")
    else:
        exists = conn.execute(select(cases.c.id).where(cases.c.id == case_id)).first() is not None
        raise UserError(f"case {case_id} is closed already" if exists else f"there is no case {case_id}")


def parse_until(text: str | None, now: datetime) -> datetime:
    """An ISO time; without an offset it is UTC. Nothing given: a day from now. Raises UserError for anything else."""
    if text is None:
        return now + DEFAULT
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise UserError(f"--until {text!r} is not a time; write it as 2026-11-26T09:00+01:00") from None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
