"""Who has a case in hand, and until when."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import Connection, or_, select, update

from ..errors import UserError
from ..reckoning.dates import local_instant
from ..rounds import events
from ..rounds.causes import grade
from ..store.tables import cases, people
from .climbing import put_back

DEFAULT = timedelta(hours=24)
LONGEST = timedelta(days=31)


def take(conn: Connection, case_id: int, person: str, until: datetime, now: datetime) -> None:
    """Marks the case as taken by the person until an instant; it is quiet until then, and then begins at the top.

    With a group its members are taken too.

    Raises UserError where there is no such person or case, the case is closed, or the time is past or too far off.
    """
    if conn.execute(select(people.c.id).where(people.c.person == person)).first() is None:
        raise UserError(f"person {person!r} is not in the register; give the person's code")
    if not now < until <= now + LONGEST:
        raise UserError(f"until {until.isoformat()} is not within the next {LONGEST.days} days; choose another time")
    changed = conn.execute(
        update(cases)
        .where(or_(cases.c.id == case_id, cases.c.group_id == case_id), cases.c.closed_at.is_(None))
        .values(state="taken", taken_by=person, taken_until=until)
    )
    if changed.rowcount:
        kind, severity = conn.execute(select(cases.c.kind, cases.c.severity).where(cases.c.id == case_id)).one()
        put_back(conn, case_id, until, grade(kind, severity))
        events.record(conn, case_id, now, events.TAKEN, person, f"until {until.astimezone(UTC):%Y-%m-%d %H:%M} UTC")
    else:
        exists = conn.execute(select(cases.c.id).where(cases.c.id == case_id)).first() is not None
        raise UserError(f"case {case_id} is closed already" if exists else f"there is no case {case_id}")


def parse_until(text: str | None, now: datetime, zone: str) -> datetime:
    """An ISO time; without an offset it is UTC. A day alone is included, as it is counted in `zone`. Nothing given: a
    day from now. Raises UserError for anything else."""
    if text is None:
        return now + DEFAULT
    try:
        if len(text) == len("2026-11-26"):
            return local_instant(date.fromisoformat(text) + timedelta(days=1), time(), zone)
        found = datetime.fromisoformat(text)
    except ValueError:
        raise UserError(f"--until {text!r} is not a time; write it as 2026-11-26T09:00+01:00") from None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
