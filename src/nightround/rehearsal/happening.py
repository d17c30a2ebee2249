"""Lets what was supposed happen in the copy, by the code by which it would happen. Never touches the real database."""

from __future__ import annotations

from sqlalchemy import func, select

from ..bootstrap import Program
from ..cases.taking import take
from ..errors import UserError
from ..register.days_off import add_absence, add_closure
from ..register.leaving import leave
from ..register.recording import record
from ..rounds.atonce import reckon_people
from ..rounds.tonight import reckon_units
from ..store.tables import cases
from .events import Away, Closed, Event, Leaves, Logged
from .mistakes import in_the_file


def happen(program: Program, event: Event) -> str:
    """Lets it happen now. Gives a sentence where nothing came of it, else "".

    Raises UserError, naming the place in the file, where it cannot happen.
    """
    try:
        if isinstance(event, Logged):
            with program.store.write() as conn:
                record(conn, event.entry, program.clock())
            reckon_units(program, [event.entry.unit_id])
            return ""
        if isinstance(event, Away):
            with program.store.write() as conn:
                add_absence(conn, event.person, event.from_on, event.until_on)
            return ""
        if isinstance(event, Closed):
            with program.store.write() as conn:
                add_closure(conn, event.site, event.from_on, event.until_on, now=program.clock())
            return ""
        if isinstance(event, Leaves):
            with program.store.write() as conn:
                leave(conn, event.person, event.on, event.replaced_by, now=program.clock())
            reckon_people(program)
            return ""
        with program.store.write() as conn:
            told_as = func.coalesce(cases.c.group_id, cases.c.id)  # where a group stands for it, that is what is taken
            query = select(told_as).where(cases.c.unit_id == event.unit_id, cases.c.closed_at.is_(None)).distinct()
            case_ids = conn.execute(query.order_by(told_as)).scalars().all()
            for case_id in case_ids:
                take(conn, case_id, event.person, event.until, program.clock())
        return "" if case_ids else f"{event.where}: no case of {event.unit} is open then, so that there is none to take"
    except UserError as error:
        raise UserError(f"{event.where}: {in_the_file(str(error))}") from None
