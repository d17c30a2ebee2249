"""A small fleet that was imported and reckoned, and the real program driven through the same days."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import insert, select

from nightround.bootstrap import Program
from nightround.letters import delivery
from nightround.rehearsal.programme import Programme
from nightround.store.database import Store
from nightround.store.tables import (
    evidence,
    messages,
    metadata,
    parts,
    people,
    person_roles,
    person_sites,
    sites,
    units,
)
from nightround.sweeping import look_round
from tests.conftest import Clock
from tests.letters.post.receiver import Receiver

BERLIN, ANGELES = "Europe/Berlin", "America/Los_Angeles"
MINUTE = timedelta(minutes=1)


class Got(NamedTuple):
    """What somebody got. `at` is when it was sent."""

    at: datetime
    to: str
    kind: str
    subject: str


def furnish(program: Program, today: date) -> None:
    """Two sites in two zones with two units each, one of them soon overdue, one with pads that go out of date."""
    with program.store.write() as conn:
        for number, (site, zone, country) in enumerate((("BAY", BERLIN, "DE"), ("COVE", ANGELES, "US")), start=1):
            conn.execute(
                insert(sites).values(id=number, site=site, name=f"Site {site}", time_zone=zone, country=country)
            )
        for number in range(1, 5):
            site = (number + 1) // 2
            code = f"{'BAY' if site == 1 else 'COVE'}-0{2 - number % 2}"
            values = {"unit": code, "site_id": site, "label": f"label{number}", "model": "Tarnlight Five"}
            conn.execute(insert(units).values(id=number, **values, in_service_on=today - timedelta(days=500)))
            looked = today - timedelta(days=26 if number % 2 else 3)
            conn.execute(insert(evidence).values(unit_id=number, looked_on=looked, tested_on=looked))
            for kind, good in (("battery", 900), ("pads-adult", 4 if number == 2 else 800)):
                last = today + timedelta(days=good)
                row = {"unit_id": number, "kind": kind, "state": "fitted", "label_date": str(last)}
                conn.execute(insert(parts).values(**row, last_good_day=last, fitted_on=today - timedelta(days=100)))
        for number, (code, role, site) in enumerate(
            (("ada", "on-call", 1), ("bo", "on-call", 2), ("coord", "coordinator", 0), ("mo", "manager", 2)), start=1
        ):
            email = f"{code}@example.org"
            conn.execute(
                insert(people).values(id=number, person=code, name=code.title(), email=email, whole_fleet=not site)
            )
            conn.execute(insert(person_roles).values(person_id=number, role=role))
            if site:
                conn.execute(insert(person_sites).values(person_id=number, site_id=site))


def rows(store: Store) -> str:
    """A digest of every row of every table."""
    found = hashlib.sha256()
    with store.read() as conn:
        for table in metadata.sorted_tables:
            for row in conn.execute(select(table).order_by(*table.primary_key.columns)):
                found.update(repr((table.name, tuple(row))).encode())
    return found.hexdigest()


def told(found: Programme) -> list[Got]:
    """What the rehearsal says that people would get."""
    return sorted(Got(one.at or found.end, one.to, one.kind, one.subject) for one in found.messages)


def live(
    program: Program,
    clock: Clock,
    until: datetime,
    mail: Receiver,
    *,
    every: timedelta = MINUTE,
    acts: Iterable[tuple[datetime, Callable[[], Any]]] = (),
    down: tuple[datetime, datetime] | None = None,
) -> list[Got]:
    """Lives the days: looks round blindly every so often with the clock that is passed in, and sends by real SMTP.

    `acts` are done at their instants, in order; while `down` the server's port leads nowhere.
    """
    coming = sorted(acts, key=lambda act: act[0])
    began = clock.now
    now = datetime.fromtimestamp(-(-began.timestamp() // every.total_seconds()) * every.total_seconds(), UTC)
    up, nowhere = program.settings.mail.port, 1
    while now < until:
        while coming and coming[0][0] <= now:
            at, act = coming.pop(0)
            clock.now = at
            act()
        clock.now = now
        look_round(program)
        with program.store.read() as conn:
            due = conn.execute(
                select(messages.c.id).where(messages.c.state == "waiting", messages.c.next_try_at <= now).limit(1)
            ).first()
        if due is not None:  # else there is nothing that a delivery could do
            program.settings.mail.port = nowhere if down is not None and down[0] <= now < down[1] else up
            asyncio.run(_deliver(program))
        now += every
    program.settings.mail.port = up
    query = select(messages.c.sent_at, messages.c.to_address, messages.c.kind, messages.c.subject)
    with program.store.read() as conn:
        found = sorted(Got(*row) for row in conn.execute(query.where(messages.c.sent_at >= began)))
    assert len(mail.letters) == len(found)
    return found


async def _deliver(program: Program) -> None:
    await delivery.deliver_async(program, asyncio.Event())


@contextmanager
def receiving(program: Program) -> Iterator[Receiver]:
    """A real mail server that the program's settings lead to."""
    with Receiver() as mail:
        program.settings.mail.host, program.settings.mail.port = "127.0.0.1", mail.port
        yield mail
