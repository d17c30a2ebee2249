"""A letter that is given up leaves nobody in the dark: the next person is told, at once, and the operator as well."""

from __future__ import annotations

import asyncio
from datetime import timedelta

from sqlalchemy import insert, select, update

from nightround.bootstrap import Program
from nightround.daemon import Service
from nightround.letters import telling
from nightround.letters.delivery import deliver
from nightround.reckoning.owed import Condition
from nightround.store.tables import cases, conditions, messages, parts, people, person_roles, tellings, units
from tests.letters.contents.build import Fleet
from tests.letters.contents.conftest import _nothing_reported_yet  # noqa: F401
from tests.letters.contents.test_telling import two_cases
from tests.letters.post.build import office
from tests.letters.post.faulty import Fault, Faulty, Stage
from tests.rounds.night.build import TODAY, small_fleet

from ..conftest import START, Clock

NOBODY = Fault("RCPT", b"550 5.1.1 nobody here")
BUSY = Fault("RCPT", b"451 4.2.1 later")


def for_on(fault: Fault) -> object:
    def script(to: str, stage: Stage) -> Fault | None:
        return fault if stage == "RCPT" and to == "on@example.org" else None

    return script


def escalations(program: Program) -> list[tuple[str, str]]:
    """To whom, and what became of it, in the order of writing."""
    query = (
        select(messages.c.to_address, messages.c.state).where(messages.c.kind == "escalation").order_by(messages.c.id)
    )
    with program.store.read() as conn:
        return [(row.to_address.partition("@")[0], row.state) for row in conn.execute(query)]


def tell(program: Program) -> int:
    return telling.tell(program, program.clock()).letters


def test_a_refused_letter_of_the_first_person_makes_one_for_the_next(program: Program, clock: Clock) -> None:
    fleet = two_cases(Fleet(program))
    fleet.person("CO", "coordinator", whole=True)
    with Faulty(for_on(NOBODY)) as server:  # type: ignore[arg-type]
        here = office(program, server.port)
        assert tell(here) == 1
        deliver(here)
        assert escalations(here) == [("on", "given up")]
        assert tell(here) == 1
        deliver(here)
        assert escalations(here) == [("on", "given up"), ("co", "sent")]
        assert list(server.kept.acknowledged) == ["co@example.org"]
        assert tell(here) == 0


def test_a_letter_put_off_for_four_hours_is_given_up_and_the_next_person_told(program: Program, clock: Clock) -> None:
    fleet = two_cases(Fleet(program))
    fleet.person("CO", "coordinator", whole=True)
    with Faulty(for_on(BUSY)) as server:  # type: ignore[arg-type]
        here = office(program, server.port)
        tell(here)
        tried = []
        while clock.now <= START + timedelta(hours=4):
            if deliver(here).sent or escalations(here)[0][1] == "given up":
                break
            with here.store.read() as conn:
                row = conn.execute(select(messages.c.tries, messages.c.next_try_at)).one()
            tried.append((clock.now - START) / timedelta(minutes=1))
            assert row.tries == len(tried)
            assert tell(here) == 0
            clock.now = row.next_try_at
        # mail.urgent_retry_minutes: 1, 2, 5, 10, and 15 again and again, until mail.urgent_give_up_hours have passed.
        assert tried[:7] == [0, 1, 3, 8, 18, 33, 48]
        assert clock.now == START + timedelta(hours=4)
        assert escalations(here) == [("on", "given up")]
        assert tell(here) == 1
        assert escalations(here)[-1][0] == "co"


def test_the_service_tells_the_next_person_within_the_same_look(program: Program, clock: Clock) -> None:
    small_fleet(program.store)
    with program.store.write() as conn:
        for code, role in (("on", "on-call"), ("co", "coordinator")):
            row = {"person": code, "email": f"{code}@example.org", "whole_fleet": True}
            number = conn.execute(insert(people).values(**row).returning(people.c.id)).scalar_one()
            conn.execute(insert(person_roles).values(person_id=number, role=role))
    with Faulty() as server, asyncio.Runner() as runner:
        here = office(program, server.port)
        service = Service(here)
        runner.run(service.tick())  # what was wrong already when the fleet came in is told
        clock.forward(days=1)
        server.script = for_on(NOBODY)  # type: ignore[assignment]
        with here.store.write() as conn:  # the pads of a unit that was in order turn out to be old
            unit = conn.execute(select(units.c.id).where(units.c.unit == "MILL-01")).scalar_one()
            old = parts.c.kind == "pads-adult"
            conn.execute(
                update(parts).where(parts.c.unit_id == unit, old).values(last_good_day=TODAY - timedelta(days=9))
            )
        runner.run(service.tick())
        with here.store.read() as conn:
            found = conn.execute(select(conditions.c.condition).where(conditions.c.unit_id == unit)).scalar_one()
            told = conn.execute(
                select(messages.c.to_address, messages.c.state)
                .join(tellings, tellings.c.message_id == messages.c.id)
                .join(cases, cases.c.id == tellings.c.case_id)
                .where(cases.c.unit_id == unit, messages.c.kind == "escalation")
                .order_by(messages.c.id)
            ).all()
        assert found == Condition.NOT_TO_BE_RELIED_ON
        assert [tuple(row) for row in told] == [("on@example.org", "given up"), ("co@example.org", "sent")]
