"""Compares and writes what people owe, a batch a transaction. Claims no round: the ledger is the caller's."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from datetime import date, datetime

from sqlalchemy import Connection, bindparam, update

from ..bootstrap import Program
from ..store.database import raise_version
from ..store.recalling import within
from ..store.tables import duties
from .differences import Changes
from .people import BATCH, CertificateRules, homes, load_people, reckoned, stored_of
from .rulebook import RuleBook
from .writing import write

Hold = Callable[[Connection, Changes, datetime], None]
_MOVED = update(duties).where(duties.c.holder == bindparam("b_holder")).values(site_id=bindparam("b_home"))


def compare_people(
    program: Program,
    zone: str,
    on: date,
    book: RuleBook,
    changes: Changes,
    findings: list[dict[str, str]],
    hold: Hold | None = None,
    only: Collection[int] | None = None,
) -> Iterator[int]:
    """The people of the zone's round, or `only` those of them; gives after each batch how many there were in it.

    `changes` then holds what was written. `hold` is called in each transaction that writes.
    """
    now = program.clock()
    rules = CertificateRules(book, on)
    with program.store.read() as conn:
        at = homes(conn, program.settings.fleet.time_zone, zone)
    if only is not None:
        at = [pair for pair in at if pair[0] in only]
    for start in range(0, len(at), BATCH):
        batch = dict(at[start : start + BATCH])
        changes.clear()
        with program.store.write() as conn:
            stored = stored_of(conn, list(batch), zone)
            for person, owed in reckoned(load_people(conn, list(batch)), rules, findings):
                home = batch[person.id]
                places, old = stored.get(person.id, (set(), {}))
                if places - {home}:
                    # Their first site is another now. That is no move: neither a date nor a standing changes.
                    conn.execute(_MOVED, {"b_holder": f"p{person.id}", "b_home": home})
                changes.holder(f"p{person.id}", None, home, owed, old)
            if changes.any():
                with within(conn, zone):
                    write(conn, changes, now)
                raise_version(conn)
                if hold is not None:
                    hold(conn, changes, now)
        yield len(batch)
