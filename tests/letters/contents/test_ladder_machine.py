"""Anything in any order: cases open and close, people come and go, letters fail, the program dies in between.

What must hold whatever happens:
1. No mailbox gets more letters of a class within an hour than the limit, nor does the whole fleet; only what is urgent
   and news to its reader has no limit.
2. No case is told twice to one mailbox at the same step (the database refuses it; nothing here may run into that).
3. No letter goes out of which every case is closed.
4. An urgent first telling is never held: once a sweep has ended, every urgent case that nobody has in hand was told to
   somebody since it began, or is reported as reaching nobody. Nothing that is held is urgent and news to its reader.
5. No step is left out: within a lap a case goes on by one step or one repeat at a time, unless nobody of it could be
   reached, or everybody of it has had that many urgent letters within the hour; then the next is told as well.
6. Repeats of one case to one mailbox are a day apart at least, and a mailbox gets one letter with repeats a day.
"""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any, ClassVar

from hypothesis import settings as limits
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from sqlalchemy import func, select, update

from nightround.bootstrap import Program
from nightround.cases import taking
from nightround.letters import telling
from nightround.letters.brake import CLASSES
from nightround.letters.errands import plan
from nightround.letters.planned import Held
from nightround.letters.turns import SLACK
from nightround.letters.withdrawing import withdraw_closed
from nightround.settings import load
from nightround.store.database import open_store
from nightround.store.schema import migrate
from nightround.store.tables import cases, climbs, messages, people, tellings

from ...conftest import START, Clock
from .build import Fleet, day

CODES = ("ON", "ZO", "CO", "MA")
HOUR = timedelta(hours=1)


class Ladders(RuleBasedStateMachine):
    """One site, four people, the shipped ladders, a limit of three letters an hour."""

    most: ClassVar = {"person_hour": 3, "fleet_hour": 300}

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        path = Path(self.folder.name)
        (path / "nightround.key").write_bytes(b"k" * 43)
        said = "".join(f"{name} = {most}\n" for name, most in self.most.items())
        (path / "nightround.toml").write_text(f"[cases]\n{said}", "utf-8")
        store = open_store(f"sqlite:///{path / 'nightround.db'}")
        migrate(store, START)
        self.clock = Clock()
        self.program = Program(load(path / "nightround.toml"), store, self.clock)
        self.fleet = Fleet(self.program)
        self.fleet.site("MILL", country="GB", subdivision="ENG")
        for code, role in zip(CODES, ("on-call", "on-call", "coordinator", "manager"), strict=True):
            self.fleet.person(code, role, ["MILL"])
        self.fleet.round_done()
        self.units = 0
        self.swept = False
        self.findings: tuple[str, ...] = ()
        self.lost = False  # whether a letter was given up or somebody lost their address since the last look

    def teardown(self) -> None:
        if hasattr(self, "program"):
            self.program.store.close()
            self.folder.cleanup()

    def _cases(self, *which: Any) -> list[int]:
        with self.program.store.read() as conn:
            return list(conn.execute(select(cases.c.id).where(*which).order_by(cases.c.id)).scalars())

    @rule(urgent=st.booleans())
    def something_happens(self, urgent: bool) -> None:
        self.units += 1
        code = f"U{self.units}"
        self.fleet.unit(code, "MILL", "work due")
        if urgent:
            self.fleet.case(code, "not-to-be-relied-on", reason="fault since 2026-11-25: it beeps")
        else:
            self.fleet.case(code, good=day(-1))
        self.swept = False

    @rule(events=st.lists(st.booleans(), min_size=3, max_size=6), minutes=st.integers(1, 12))
    def a_bad_hour(self, events: list[bool], minutes: int) -> None:
        """One thing after the other, each looked at as soon as it happened."""
        for urgent in events:
            self.something_happens(urgent)
            self.the_service_looks()
            self.time_goes_by(minutes)

    @rule(data=st.data())
    def its_cause_is_gone(self, data: st.DataObject) -> None:
        if found := self._cases(cases.c.closed_at.is_(None)):
            number = data.draw(st.sampled_from(found))
            with self.program.store.write() as conn:
                conn.execute(update(cases).where(cases.c.id == number).values(state="closed", closed_at=self.clock.now))
            self.swept = False

    @rule(data=st.data(), hours=st.integers(1, 30))
    def somebody_takes_it(self, data: st.DataObject, hours: int) -> None:
        if found := self._cases(cases.c.closed_at.is_(None)):
            until = self.clock.now + timedelta(hours=hours)
            with self.program.store.write() as conn:
                taking.take(conn, data.draw(st.sampled_from(found)), "ON", until, self.clock.now)
            self.swept = False

    @rule(code=st.sampled_from(CODES), there=st.booleans())
    def an_address_comes_or_goes(self, code: str, there: bool) -> None:
        with self.program.store.write() as conn:
            box = f"{code.lower()}@example.org" if there else ""
            conn.execute(update(people).where(people.c.person == code).values(email=box))
        self.swept, self.lost = False, True

    @rule(minutes=st.sampled_from([1, 9, 31, 61, 250, 700, 1450, 4400]))
    def time_goes_by(self, minutes: int) -> None:
        self.clock.forward(minutes=minutes)
        self.swept = False

    @rule()
    def the_service_looks(self) -> None:
        before = self._climbs()
        full = self._full()
        with self.program.store.read() as conn:
            held = plan(conn, self.program.settings, self.clock.now).held
        self._nothing_urgent_and_new(held)
        self.findings = telling.tell(self.program, self.clock.now).findings
        self._compare(before, full)
        assert telling.tell(self.program, self.clock.now).letters == 0
        self.swept = True

    @rule(after=st.integers(0, 3))
    def it_dies_while_it_looks(self, after: int) -> None:
        before, full = self._climbs(), self._full()
        real, stored = telling._store, 0

        def dies(*given: Any) -> bool:
            nonlocal stored
            if stored == after:
                raise KeyboardInterrupt
            stored += 1
            return real(*given)

        telling._store = dies  # type: ignore[assignment]
        try:
            telling.tell(self.program, self.clock.now)
        except KeyboardInterrupt:
            self.swept = False
        finally:
            telling._store = real
        self._compare(before, full)

    @rule(fails=st.sampled_from([None, *CODES]))
    def letters_go_out(self, fails: str | None) -> None:
        withdraw_closed(self.program)
        with self.program.store.write() as conn:
            for row in conn.execute(select(messages).where(messages.c.state == "waiting")).all():
                about = conn.execute(
                    select(cases.c.closed_at)
                    .join(tellings, tellings.c.case_id == cases.c.id)
                    .where(tellings.c.message_id == row.id)
                ).scalars()
                if row.kind == "escalation":
                    assert any(closed is None for closed in about), "a letter about closed cases went out"
                lost = fails is not None and row.to_address == f"{fails.lower()}@example.org"
                state = "given up" if lost else "sent"
                conn.execute(update(messages).where(messages.c.id == row.id).values(state=state))
                self.lost = self.lost or lost
        self.swept = False

    def _climbs(self) -> dict[int, tuple[int, int, int]]:
        with self.program.store.read() as conn:
            return {row.case_id: (row.lap, row.rung, row.turn) for row in conn.execute(select(climbs))}

    def _full(self) -> bool:
        """Whether any mailbox has had an hour's urgent letters, so that the next step is told at once."""
        query = (
            select(messages.c.to_address)
            .where(messages.c.counts_as == "urgent", messages.c.created_at > self.clock.now - HOUR)
            .group_by(messages.c.to_address)
            .having(func.count() >= self.most["person_hour"])
        )
        with self.program.store.read() as conn:
            return conn.execute(query).first() is not None

    def _nothing_urgent_and_new(self, held: tuple[Held, ...]) -> None:
        with self.program.store.read() as conn:
            for one in held:
                box = one.errand.reader.mailbox
                for case_id, mark in one.errand.marks.items():
                    severity = conn.execute(select(cases.c.severity).where(cases.c.id == case_id)).scalar_one()
                    told = conn.execute(
                        select(func.count())
                        .select_from(tellings.join(messages, messages.c.id == tellings.c.message_id))
                        .where(
                            tellings.c.case_id == case_id,
                            tellings.c.mailbox == box,
                            messages.c.state != "given up",
                        )
                    ).scalar_one()
                    assert severity != "urgent" or told or mark[1] < 0, "an urgent first telling was held"

    def _compare(self, before: dict[int, tuple[int, int, int]], full: bool) -> None:
        for case_id, (lap, rung, turn) in self._climbs().items():
            was = before.get(case_id, (0, -1, 0))
            assert (lap, rung, turn) >= was, "it went back"
            if lap == was[0] and not self.lost and not full:
                assert (rung, turn) in {was[1:], (was[1], was[2] + 1), (was[1] + 1, 0)}, "a step was left out"

    @precondition(lambda self: hasattr(self, "program"))
    @invariant()
    def nobody_gets_more_than_the_limit(self) -> None:
        with self.program.store.read() as conn:
            columns = (messages.c.counts_as, messages.c.to_address, messages.c.created_at)
            rows = conn.execute(select(*columns).order_by(messages.c.id)).all()
        by: dict[tuple[str, str], list[Any]] = {}
        for counted, box, made in rows:
            assert counted in CLASSES
            by.setdefault((counted, box), []).append(made)
            by.setdefault((counted, ""), []).append(made)
        for (counted, box), times in by.items():
            if counted == "urgent":
                continue
            most = self.most["person_hour" if box else "fleet_hour"]
            for first, over in zip(times, times[most:], strict=False):
                assert over - first >= HOUR
            if counted == "repeat" and box:
                days = [made.date() for made in times]  # the hour of letters is the same in UTC here
                assert len(days) == len(set(days)), "two letters with repeats in a day"

    @precondition(lambda self: hasattr(self, "program"))
    @invariant()
    def repeats_of_a_case_are_a_day_apart(self) -> None:
        query = (
            select(tellings.c.case_id, tellings.c.mailbox, messages.c.created_at, messages.c.counts_as)
            .join(messages, messages.c.id == tellings.c.message_id)
            .where(tellings.c.rung >= 0)
            .order_by(messages.c.id)
        )
        last: dict[tuple[int, str], Any] = {}
        with self.program.store.read() as conn:
            for case_id, box, made, counted in conn.execute(query):
                before = last.get((case_id, box))
                if before is not None and counted == "repeat":
                    assert made - before >= timedelta(days=1) - SLACK
                last[case_id, box] = made

    @precondition(lambda self: hasattr(self, "program") and self.swept)
    @invariant()
    def every_urgent_case_is_before_somebody_or_reported(self) -> None:
        now = self.clock.now
        with self.program.store.read() as conn:
            told_now = (
                select(func.count())
                .select_from(tellings)
                .where(
                    tellings.c.case_id == cases.c.id,
                    tellings.c.lap >= func.coalesce(climbs.c.fresh, 0),
                    tellings.c.rung >= 0,
                )
                .scalar_subquery()
            )
            query = (
                select(cases.c.id, func.coalesce(told_now, 0).label("told"))
                .outerjoin(climbs, climbs.c.case_id == cases.c.id)
                .where(
                    cases.c.severity == "urgent",
                    cases.c.closed_at.is_(None),
                    (cases.c.taken_until.is_(None)) | (cases.c.taken_until <= now),
                )
            )
            silent = [row.id for row in conn.execute(query) if not row.told]
        if silent:
            assert any("nobody is told of" in said for said in self.findings), silent


TestLadders = Ladders.TestCase
TestLadders.settings = limits(max_examples=20, stateful_step_count=25, deadline=None)


class FewForAll(Ladders):
    """The same with four letters an hour for all of them together, a second site, and two more coordinators."""

    most: ClassVar = {"person_hour": 3, "fleet_hour": 4}

    @initialize()
    def begin(self) -> None:
        super().begin()
        self.fleet.site("POOL", country="GB", subdivision="ENG")
        self.fleet.person("EAST", "coordinator", ["POOL"])
        self.fleet.person("POND", "on-call coordinator", ["POOL", "MILL"])

    @rule(urgent=st.booleans())
    def something_happens_elsewhere(self, urgent: bool) -> None:
        self.units += 1
        self.fleet.unit(f"U{self.units}", "POOL", "work due")
        if urgent:
            self.fleet.case(f"U{self.units}", "not-to-be-relied-on", reason="fault since 2026-11-25: it beeps")
        else:
            self.fleet.case(f"U{self.units}", good=day(-1))
        self.swept = False


TestFewForAll = FewForAll.TestCase
TestFewForAll.settings = limits(max_examples=15, stateful_step_count=25, deadline=None)
