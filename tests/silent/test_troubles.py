"""What must never be silent is found, and said wherever it can be: screen, watch, letters, calendars, log, exit."""

from __future__ import annotations

import json
import logging
import socket
from dataclasses import replace
from datetime import date, datetime, timedelta
from email import message_from_bytes, policy
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import insert, select, update
from starlette.applications import Starlette
from starlette.testclient import TestClient

from nightround import cli
from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars.reading import EVENTS, TASKS
from nightround.letters import service, weekly
from nightround.letters.delivery import deliver
from nightround.pages import health
from nightround.rounds import troubles as looked
from nightround.rounds.pulse import Pulse
from nightround.rounds.tonight import run_owed, run_round
from nightround.rounds.troubles import Kind, Trouble, troubles
from nightround.settings import Settings
from nightround.store import happenings
from nightround.store.tables import fleet as fleet_row
from nightround.store.tables import ledger, log, messages, people, person_roles, units
from nightround.sweeping import look_round, speak_up
from tests.calendars.agreement import agreed
from tests.calendars.build import Fleet, sentinel
from tests.letters.post.build import letter, office, post, rows
from tests.letters.post.receiver import Receiver
from tests.rounds.night.build import TODAY, small_fleet

from ..conftest import START, Clock

BERLIN = "Europe/Berlin"


def found(program: Program) -> list[Trouble]:
    with program.store.read() as conn:
        return troubles(conn, program.settings, program.clock(), full=program.store.full)


def kinds(program: Program) -> list[str]:
    return [str(trouble.kind) for trouble in found(program)]


def subject(octets: bytes) -> str:
    return str(message_from_bytes(octets, policy=policy.default)["Subject"])


def body(octets: bytes) -> str:
    """The words of a letter's text part, on one line."""
    message = message_from_bytes(octets, policy=policy.default)
    part = message.get_body(("plain",))  # type: ignore[attr-defined]
    return " ".join(part.get_content().split())


def nobody() -> int:
    """A port of the loopback on which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


@pytest.fixture
def web(program: Program) -> TestClient:
    return TestClient(Starlette(routes=health.routes(program)), client=("127.0.0.1", 50_000))


def test_a_service_in_order_has_no_trouble(program: Program, clock: Clock, web: TestClient) -> None:
    small_fleet(program.store)
    with Receiver() as receiver:
        here = office(program, receiver.port)
        post(here, letter("n"))
        look_round(here, pulse=Pulse())
        deliver(here)
    clock.forward(minutes=59)
    assert found(program) == []
    assert web.get("/readyz").status_code == 200


class TestMail:
    def test_a_letter_that_cannot_be_sent_for_an_hour_is_told_from_its_first_failure(
        self, program: Program, clock: Clock
    ) -> None:
        with Receiver() as receiver:
            receiver.says["DATA"] = lambda _to: "451 4.3.2 ann@example.org is not wanted now"
            here = office(program, receiver.port)
            post(here, letter("n"), letter("u", urgent=True))
            clock.forward(minutes=10)
            deliver(here)
            first = clock.now
            for _ in range(6):
                clock.forward(minutes=10)
                deliver(here)
                assert rows(program)["n"].failing_since == first
        (trouble,) = found(program)
        assert (trouble.kind, trouble.since) == (Kind.LETTERS_STUCK, first)
        assert trouble.said == (
            "2 letters could not be sent for more than 60 minutes, 1 of them urgent; the oldest since 2026-11-25 09:10 "
            "(UTC)."
        )
        assert "ann@example.org" in trouble.detail
        assert "ann@example.org" not in trouble.sentence

    def test_fifty_nine_minutes_are_no_trouble_and_a_letter_that_went_is_none(
        self, program: Program, clock: Clock
    ) -> None:
        with Receiver() as receiver:
            here = office(program, receiver.port)
            receiver.says["DATA"] = lambda _to: "451 not now"
            post(here, letter("n"))
            deliver(here)
            clock.forward(minutes=59)
            assert found(program) == []
            clock.forward(minutes=1)
            assert kinds(program) == ["letters-stuck"]
            receiver.says.clear()
            deliver(here)
        assert found(program) == []

    def test_a_letter_that_is_kept_for_the_morning_is_not_missed_at_night(self, program: Program, clock: Clock) -> None:
        post(program, letter("n"))
        with program.store.write() as conn:
            conn.execute(update(messages).values(next_try_at=START + timedelta(hours=9)))
        clock.forward(hours=9, minutes=59)
        assert found(program) == []
        clock.forward(minutes=1)
        assert kinds(program) == ["letters-stuck"]  # its turn came an hour ago, and nobody tried

    def test_a_server_that_cannot_be_used_is_one_trouble_with_its_reason_for_the_operator(
        self, program: Program, clock: Clock
    ) -> None:
        here = office(program, nobody())
        post(here, *(letter(f"n{number}") for number in range(3)))
        deliver(here)
        clock.forward(minutes=30)
        deliver(here)
        assert found(program) == []
        clock.forward(minutes=30)
        (trouble,) = found(program)
        assert (trouble.kind, trouble.since) == (Kind.MAIL_DOWN, START)
        assert trouble.said == (
            "No letter can be sent since 2026-11-25 09:00 (UTC), because the mail server cannot be used; 3 letters "
            "wait in the letter box."
        )
        assert "check mail.host" in trouble.detail

    def test_when_letters_go_again_everybody_is_told_once_how_long_they_did_not(
        self, program: Program, clock: Clock
    ) -> None:
        with Receiver() as receiver:
            there, gone = office(program, receiver.port), office(program, nobody())
            for minutes in (30, 61):
                post(program, letter(f"n{minutes}"))
                deliver(gone)
                clock.forward(minutes=minutes)
                deliver(there)
                assert found(program) == []
        with program.store.read() as conn:
            (happened,) = happenings.since(conn, START - timedelta(days=1))
            beat = happenings.beat(conn, happenings.MAIL)
        assert happened.said == ("No letter could be sent from 2026-11-25 09:30 (UTC) to 2026-11-25 10:31 (UTC).")
        assert beat is not None
        assert beat.at == clock.now

    def test_a_restart_does_not_make_an_outage_younger(self, program: Program, clock: Clock) -> None:
        for _ in range(3):
            post(program, letter(f"n{clock.now:%H%M}"))
            deliver(office(program, nobody()))
            clock.forward(minutes=30)
        assert [trouble.since for trouble in found(program)] == [START]


class TestRounds:
    def test_a_round_that_was_killed_and_left_lying_is_told(self, program: Program, clock: Clock) -> None:
        small_fleet(program.store)
        run_owed(program)
        clock.forward(hours=17)
        begun = clock.now
        row = {
            "zone": BERLIN, "on": TODAY + timedelta(days=1), "state": "running", "holder": "gone",
            "started_at": begun, "lease_until": begun + timedelta(minutes=15),
        }  # fmt: skip
        with program.store.write() as conn:
            conn.execute(insert(ledger).values(row))
        clock.forward(minutes=24)
        assert found(program) == []
        clock.forward(minutes=1)
        (trouble,) = found(program)
        assert (trouble.kind, trouble.since) == (Kind.ROUND_UNFINISHED, begun)
        assert trouble.said == (
            "The round of 2026-11-26 for Europe/Berlin was begun at 2026-11-26 03:00 (CET) and did not finish."
        )
        run_owed(program)
        assert found(program) == []

    def test_a_round_that_is_owed_for_six_hours_is_told_and_not_before(self, program: Program, clock: Clock) -> None:
        small_fleet(program.store)
        run_owed(program)
        due = datetime.fromisoformat("2026-11-26T02:00:00+01:00")
        clock.now = due + timedelta(hours=6) - timedelta(seconds=1)
        assert found(program) == []
        clock.forward(seconds=1)
        (trouble,) = found(program)
        assert (trouble.kind, trouble.since) == (Kind.ROUND_OWED, due)
        run_round(program, BERLIN, date(2026, 11, 26))
        assert found(program) == []

    def test_the_first_round_of_units_that_have_just_come_in_is_not_missed(
        self, program: Program, clock: Clock
    ) -> None:
        small_fleet(program.store)
        with program.store.write() as conn:
            conn.execute(update(fleet_row).values(created_at=START))
        clock.forward(hours=5)
        assert found(program) == []
        clock.forward(hours=1)
        assert kinds(program) == ["round-owed"]

    def test_a_round_by_hand_for_another_day_is_told_everywhere_until_one_for_today(
        self, program: Program, clock: Clock, web: TestClient
    ) -> None:
        small_fleet(program.store)
        run_owed(program)
        for other in (TODAY + timedelta(days=90), TODAY - timedelta(days=30)):
            clock.forward(minutes=1)
            run_round(program, BERLIN, other, again=True)
            (trouble,) = found(program)
            said = (
                f"The duties for Europe/Berlin are those of {other}, as a round was run by hand; they are not those of"
            )
            assert (trouble.kind, trouble.said) == (Kind.NOT_TODAY, f"{said} today.")
            assert web.get("/readyz").json()["reasons"] == [trouble.said]
            with program.store.read() as conn:
                assert service.lines(conn, program.settings, clock.now) == (f"{trouble.said} Run: nightround round.",)
            clock.forward(minutes=1)
            run_round(program, BERLIN, TODAY, again=True)
            assert found(program) == []


class TestClockAndDisk:
    @pytest.mark.parametrize("where", ["log", "ledger", "messages"])
    def test_a_clock_that_is_behind_what_was_written_is_told(self, program: Program, clock: Clock, where: str) -> None:
        small_fleet(program.store)
        run_owed(program)
        later = START + timedelta(hours=2)
        with program.store.write() as conn:
            if where == "log":
                unit = conn.execute(select(units.c.id)).scalars().first()
                row = {"unit_id": unit, "at": START, "written_at": later, "entry": "check"}
                conn.execute(insert(log).values(**row, digest="d", prev_hash="p", hash="h"))
            elif where == "ledger":
                conn.execute(update(ledger).values(finished_at=later))
        if where == "messages":
            post(program, letter("n", created_at=later))
        (trouble,) = found(program)
        assert trouble.kind == Kind.CLOCK_BACK
        assert (
            "it says 2026-11-25 09:00 (UTC), but something was written down at 2026-11-25 11:00 (UTC)" in trouble.said
        )
        clock.now = later - timedelta(minutes=2)
        assert Kind.CLOCK_BACK not in kinds(program)

    def test_a_clock_that_was_set_back_is_told_until_it_has_caught_up(self, program: Program, clock: Clock) -> None:
        pulse = Pulse()
        pulse.look(program)
        clock.forward(hours=-3)
        pulse.look(program)
        assert kinds(program) == ["clock-back"]
        clock.forward(hours=2)
        pulse.look(program)
        assert kinds(program) == ["clock-back"]
        clock.forward(minutes=58)
        assert found(program) == []

    def test_little_free_space_is_told_before_nothing_fits_any_more(self, settings: Settings) -> None:
        watch = settings.watch.model_copy(update={"free_mb": 200})
        here = settings.model_copy(update={"watch": watch})
        assert looked.disk(here, 200_000_000, full=False) == []
        assert looked.disk(here, None, full=False) == []
        (trouble,) = looked.disk(here, 199_999_999, full=False)
        assert "199 MB are free" in trouble.said
        (trouble,) = looked.disk(here, None, full=True)
        assert "nothing can be written" in trouble.said

    def test_the_free_space_of_the_folder_of_the_database_is_looked_at(
        self, sqlite_store: object, settings: Settings, tmp_path: Path
    ) -> None:
        watch = settings.watch.model_copy(update={"free_mb": 10**9})  # no disk has as much
        here = settings.model_copy(update={"watch": watch})
        free = looked.free_octets(here)
        assert free is not None
        assert free > 0
        elsewhere = here.database.model_copy(update={"url": "postgresql://u@h/n"})
        assert looked.free_octets(here.model_copy(update={"database": elsewhere})) is None
        assert looked.free_octets(settings) is None  # 0 never looks

    def test_a_service_that_no_longer_looks_round_is_told_by_those_who_ask(
        self, program: Program, clock: Clock
    ) -> None:
        small_fleet(program.store)
        look_round(program, pulse=Pulse())
        clock.forward(minutes=60)
        assert found(program) == []
        clock.forward(minutes=1)
        (trouble,) = found(program)
        assert (trouble.kind, trouble.since) == (Kind.NOT_RUNNING, START)
        run_round(program, BERLIN, TODAY, again=True)  # somebody does it by hand, or a timer does
        assert found(program) == []


class TestWhereItIsSaid:
    @pytest.fixture
    def stuck(self, program: Program, clock: Clock) -> Program:
        """A fleet whose round is done and whose mail server has been gone for an hour."""
        small_fleet(program.store)
        with program.store.write() as conn:
            number = conn.execute(
                insert(people).values(person="ada", email="ada@example.org", whole_fleet=True).returning(people.c.id)
            ).scalar_one()
            conn.execute(insert(person_roles).values(person_id=number, role="coordinator"))
        here = office(program, nobody())
        look_round(here, pulse=Pulse())
        deliver(here)
        clock.forward(minutes=60)
        return here

    def test_a_watch_is_told_by_503_in_words_that_hold_nothing_of_the_register(
        self, stuck: Program, web: TestClient
    ) -> None:
        answer = web.get("/readyz")
        assert answer.status_code == 503
        (said,) = answer.json()["reasons"]
        assert said.startswith("No letter can be sent since 2026-11-25 09:00 (UTC)")
        assert "ada" not in answer.text
        metrics = web.get("/metrics").text
        assert 'nightround_troubles{kind="mail-down"} 1.0' in metrics
        assert 'nightround_troubles{kind="disk-full"} 0.0' in metrics

    def test_the_next_letter_says_it_and_afterwards_what_happened(self, stuck: Program, clock: Clock) -> None:
        clock.forward(days=7)
        run_owed(stuck)
        weekly.post_owed(stuck, clock.now)
        clock.forward(minutes=1)
        with Receiver() as receiver:
            deliver(replace(stuck, settings=office(stuck, receiver.port).settings))
        texts = [body(octets) for _, octets in receiver.letters if subject(octets).startswith("Something is wrong")]
        assert len(texts) == 1
        assert "No letter can be sent since 2026-11-25 09:00 (UTC)" in texts[0]
        clock.forward(days=7)
        run_owed(stuck)
        assert weekly.post_owed(stuck, clock.now) == 1
        with stuck.store.read() as conn:
            last = conn.execute(select(messages).order_by(messages.c.id.desc()).limit(1)).one()
        text = body(last.body)
        assert "What happened to this service since the last letter:" in text
        assert "No letter could be sent from 2026-11-25 09:00 (UTC) to 2026-12-02 10:01 (UTC)." in text

    def test_the_log_says_it_once_an_hour_as_an_error_and_when_it_is_over(
        self, stuck: Program, clock: Clock, caplog: pytest.LogCaptureFixture
    ) -> None:
        caplog.set_level(logging.INFO, "nightround.sweeping")
        logged: dict[str, datetime] = {}
        for _ in range(61):
            Pulse().look(stuck)
            speak_up(stuck, logged)
            clock.forward(minutes=1)
        said = [(record.levelname, record.getMessage()[:18]) for record in caplog.records]
        assert said == [("ERROR", "No letter can be s")] * 2
        caplog.clear()
        with Receiver() as receiver:
            deliver(replace(stuck, settings=office(stuck, receiver.port).settings))
        speak_up(stuck, logged)
        assert [record.getMessage() for record in caplog.records] == ["trouble over"]
        assert logged == {}
        caplog.clear()
        speak_up(replace(stuck, settings=office(stuck, nobody()).settings))
        assert caplog.records == []

    def test_every_subscribed_calendar_says_it_by_itself(self, stuck: Program, clock: Clock) -> None:
        fleet = Fleet(stuck)
        feed, _ = fleet.feed()
        before = feeds.build(stuck, feed)
        state = feeds.remember(stuck, feed, EVENTS, before)
        first = sentinel(before.body)
        assert first["summary"] == "The nightly round has not run since 2026-11-25"
        speak_up(stuck)
        with stuck.store.read() as conn:
            assert feeds.standing(conn, stuck.settings, feed, EVENTS) is None  # subscribers are not told "unchanged"
        told = feeds.build(stuck, feed)
        said = sentinel(told.body)
        assert said["summary"] == "Letters cannot be sent since 2026-11-25 09:00 (UTC)"
        assert "nobody is told of anything by mail" in said["description"]
        assert said["uid"] == first["uid"]
        # RFC 5546 §2.1.5: a later version has a higher SEQUENCE, and a later DTSTAMP besides.
        assert said["sequence"] == first["sequence"] + 1
        assert said["dtstamp"].dt == clock.now
        assert said["dtstamp"].dt > first["dtstamp"].dt
        assert (said["dtstart"].dt, said["dtend"].dt) == (date(2026, 11, 25), date(2026, 11, 29))
        agreed(told.body)
        assert feeds.remember(stuck, feed, EVENTS, told).last_modified > state.last_modified
        task = sentinel(feeds.build(stuck, feed, TASKS).body)
        assert task["summary"] == said["summary"]

        clock.forward(minutes=5)
        speak_up(stuck)
        assert feeds.build(stuck, feed).body == told.body  # nothing new while it lasts

        with Receiver() as receiver:
            deliver(replace(stuck, settings=office(stuck, receiver.port).settings))
        speak_up(stuck)
        over = sentinel(feeds.build(stuck, feed).body)
        assert over["summary"] == first["summary"]
        assert over["sequence"] == first["sequence"] + 2
        assert over["dtstamp"].dt == clock.now
        assert over["dtstart"].dt == first["dtstart"].dt

    def test_commands_say_it_by_their_words_and_their_exit_status(
        self, stuck: Program, capsys: pytest.CaptureFixture[str]
    ) -> None:
        run = partial(_run, stuck)
        assert run("today") == 3
        out = capsys.readouterr().out
        assert out.startswith("TROUBLE  No letter can be sent since 2026-11-25 09:00 (UTC)")
        assert "See why with: nightround deliver." in out.splitlines()[0]
        assert run("--json", "today") == 3
        (told,) = json.loads(capsys.readouterr().out)["troubles"]
        assert (told["kind"], told["since"]) == ("mail-down", "2026-11-25T09:00:00+00:00")
        assert run("round") == 3
        assert "No letter can be sent since" in capsys.readouterr().err
        assert run("deliver") == 1
        assert "No letter can be sent since" in capsys.readouterr().err

    def test_deliver_ends_with_3_where_the_server_answers_and_letters_stay_for_an_hour(
        self, program: Program, clock: Clock, capsys: pytest.CaptureFixture[str]
    ) -> None:
        with Receiver() as receiver:
            receiver.says["DATA"] = lambda _to: "451 not now"
            here = office(program, receiver.port)
            run = partial(_run, here)
            post(here, letter("n"))
            assert run("deliver") == 0
            clock.forward(minutes=60)
            assert run("deliver") == 3
        assert "1 letter could not be sent for more than 60 minutes" in capsys.readouterr().err


def _run(program: Program, *words: str) -> int:
    """Runs a command line on the program as it is, its clock included."""
    return cli.run(words, program=program)


def test_the_gravest_trouble_comes_first(program: Program, clock: Clock) -> None:
    small_fleet(program.store)
    program.store.full = True
    run_round(program, BERLIN, TODAY + timedelta(days=40))
    post(program, letter("n"))
    clock.forward(hours=2)
    assert kinds(program) == ["disk-full", "letters-stuck", "not-today"]
