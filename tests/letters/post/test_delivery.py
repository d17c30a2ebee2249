"""The letter box against a real SMTP receiver: each letter once, at least once, and never in silence."""

from __future__ import annotations

import asyncio
import socket
import threading
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.exc import OperationalError

from nightround.bootstrap import Program
from nightround.letters import box, delivery, hold
from nightround.letters.delivery import deliver, deliver_async
from nightround.settings import Settings
from nightround.store.database import Store, open_store

from ...conftest import START, Clock
from .build import QUICK, letter, office, post, rows, states
from .receiver import DROP, Receiver


@pytest.fixture
def sqlite_program(settings: Settings, sqlite_store: Store, clock: Clock) -> Program:
    """For what has nothing to do with the kind of database."""
    return Program(settings, sqlite_store, clock)


def test_each_letter_is_seen_once_and_then_settled(program: Program) -> None:
    names = [f"n{number}" for number in range(25)]
    with Receiver() as receiver:
        here = office(program, receiver.port, batch=4, lanes=3)
        post(here, *(letter(name) for name in names))
        done = deliver(here)
    assert (done.sent, done.waiting, done.given_up, done.trouble) == (25, 0, (), "")
    assert sorted(receiver.recipients()) == sorted(f"{name}@example.org" for name in names)
    for row in rows(program).values():
        assert (row.state, row.tries, row.sent_at, row.holder, row.lease_until) == ("sent", 1, START, "", None)
        assert row.last_answer == "message: 250 OK taken"


def test_the_letter_arrives_octet_for_octet_dots_and_all(program: Program) -> None:
    with Receiver() as receiver:
        post(program, letter("n"))
        deliver(office(program, receiver.port))
    assert receiver.letters == [("n@example.org", letter("n").body)]


def test_a_batch_shares_one_connection(program: Program) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, batch=50, lanes=1)
        post(here, *(letter(f"n{number}") for number in range(20)))
        deliver(here)
    assert receiver.connections == 1


def test_a_letter_put_off_goes_again_when_its_time_has_come_with_the_same_message_id(
    program: Program, clock: Clock
) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port)
        post(here, letter("n"))
        receiver.says["DATA"] = lambda _to: "451 4.3.2 not now"
        assert deliver(here).waiting == 1
        row = rows(program)["n"]
        # RFC 5321 §4.5.4.1: at least thirty minutes.
        assert (row.state, row.tries, row.next_try_at) == ("waiting", 1, START + timedelta(minutes=30))
        assert row.last_answer == "message: 451 4.3.2 not now"
        clock.forward(minutes=29)
        assert deliver(here).sent == 0
        assert len(receiver.offered) == 1
        receiver.says.clear()
        clock.forward(minutes=1)
        assert deliver(here).sent == 1
    assert receiver.message_ids() == ["<n@test.example.org>"] * 2
    assert (rows(program)["n"].state, rows(program)["n"].tries) == ("sent", 2)


def test_an_escalation_is_tried_again_after_a_minute(program: Program, clock: Clock) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port)
        post(here, letter("n", urgent=True))
        receiver.says["RCPT"] = lambda _to: "450 4.2.1 busy"
        deliver(here)
        assert rows(program)["n"].next_try_at == START + timedelta(minutes=1)


def test_asked_for_everything_letters_put_off_go_at_once(program: Program) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port)
        post(here, letter("n"))
        receiver.says["DATA"] = lambda _to: "451 not now"
        deliver(here)
        receiver.says.clear()
        assert deliver(here).sent == 0
        assert deliver(here, everything=True).sent == 1


def test_one_refusal_for_good_gives_up_one_letter_and_the_others_go(program: Program) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        numbers = post(here, letter("a"), letter("b"), letter("c"))
        receiver.says["RCPT"] = lambda to: "550 5.1.1 nobody here" if to.startswith("b") else None
        done = deliver(here)
    assert (done.sent, done.waiting, done.given_up) == (2, 0, (numbers[1],))
    assert states(program) == {"a": "sent", "b": "given up", "c": "sent"}
    assert rows(program)["b"].last_answer == "RCPT: 550 5.1.1 nobody here"
    assert receiver.connections == 1
    assert receiver.commands.count("RSET") == 1  # the refused envelope is taken back


@pytest.mark.parametrize(("answer", "state"), [("499 odd", "waiting"), ("599 odd", "given up"), ("299 odd", "sent")])
def test_an_unknown_code_is_judged_by_its_first_digit(program: Program, answer: str, state: str) -> None:
    # RFC 5321 §4.2.1
    with Receiver() as receiver:
        here = office(program, receiver.port)
        post(here, letter("n"))
        receiver.says["DATA"] = lambda _to: answer
        deliver(here)
    assert states(program) == {"n": state}


def test_a_server_that_closes_in_the_middle_of_a_batch_costs_one_letter_one_try(program: Program) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, letter("a"), letter("b"), letter("c"))
        receiver.says["DATA"] = lambda to: "421 4.3.0 closing" if to.startswith("b") else None
        done = deliver(here)
    assert (done.sent, done.waiting, done.trouble) == (2, 1, "")
    assert (rows(program)["b"].state, rows(program)["b"].tries) == ("waiting", 1)
    assert rows(program)["c"].tries == 1
    assert receiver.connections == 2


def test_a_connection_that_breaks_after_data_is_a_try_and_the_letter_goes_again_under_the_same_id(
    program: Program, clock: Clock
) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, letter("a"), letter("b"))
        receiver.says["DATA"] = lambda to: DROP if to.startswith("a") else None
        deliver(here)
        assert (rows(program)["a"].state, rows(program)["a"].tries) == ("waiting", 1)
        assert (rows(program)["b"].state, rows(program)["b"].tries) == ("sent", 1)
        receiver.says.clear()
        clock.forward(minutes=30)
        deliver(here)
    assert receiver.message_ids().count("<a@test.example.org>") == 2
    assert states(program) == {"a": "sent", "b": "sent"}


def test_a_server_that_takes_few_letters_a_session_costs_no_letter_a_try(program: Program) -> None:
    taken = 0

    def two_a_session(_address: str) -> str | None:
        nonlocal taken
        taken += 1
        return DROP if taken % 3 == 0 else None

    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, *(letter(f"n{number}") for number in range(9)))
        receiver.says["MAIL"] = two_a_session
        done = deliver(here)
    assert (done.sent, done.waiting, done.trouble) == (9, 0, "")
    assert {row.tries for row in rows(program).values()} == {1}
    assert len(receiver.letters) == 9


def test_a_server_that_takes_nothing_and_hangs_up_stops_the_delivery(program: Program) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, *(letter(f"n{number}") for number in range(20)))
        receiver.says["MAIL"] = lambda _address: DROP
        done = deliver(here)
    assert "MAIL: " in done.trouble
    assert "3 connections in a row took no letter" in done.trouble
    assert (done.sent, done.waiting) == (0, 20)
    assert sorted(row.tries for row in rows(program).values()) == [0] * 17 + [1] * 3


def test_what_goes_wrong_at_quit_changes_nothing(program: Program) -> None:
    with Receiver() as receiver:
        post(program, letter("n"))
        receiver.says["QUIT"] = lambda _nothing: DROP
        done = deliver(office(program, receiver.port))
    assert (done.sent, done.trouble) == (1, "")


def test_a_server_that_is_not_there_costs_no_letter_a_try_and_is_asked_again_at_the_next_look(
    sqlite_program: Program,
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    post(sqlite_program, letter("n"))
    done = deliver(office(sqlite_program, port))
    assert (done.sent, done.waiting) == (0, 1)
    assert f"localhost:{port} cannot be used" in done.trouble
    row = rows(sqlite_program)["n"]
    assert (row.state, row.tries, row.next_try_at, row.holder) == ("waiting", 0, START, "")
    assert row.last_answer.startswith("connect: ")
    with Receiver() as receiver:
        assert _tick(office(sqlite_program, receiver.port)).sent == 1


def test_a_server_that_does_not_greet_is_not_waited_for_longer_than_the_scaled_timeout(sqlite_program: Program) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        post(sqlite_program, letter("n"))
        done = deliver(office(sqlite_program, silent.getsockname()[1], timeout_scale=QUICK))
    assert "greeting: no answer within" in done.trouble
    assert (rows(sqlite_program)["n"].state, rows(sqlite_program)["n"].tries) == ("waiting", 0)


def test_a_server_that_never_answers_the_final_dot_is_left_after_its_timeout(sqlite_program: Program) -> None:
    answered = threading.Event()
    with Receiver() as receiver:
        receiver.meanwhile = lambda: assert_true(answered.wait(20))
        post(sqlite_program, letter("n"))
        done = deliver(office(sqlite_program, receiver.port, timeout_scale=QUICK))
        answered.set()
    assert (done.sent, done.waiting) == (0, 1)
    row = rows(sqlite_program)["n"]
    assert (row.state, row.tries) == ("waiting", 1)
    assert row.last_answer.startswith("message: no answer within")


def test_a_letter_is_given_up_when_its_time_is_over(program: Program, clock: Clock) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port)
        receiver.says["DATA"] = lambda _to: "451 still not"
        post(here, letter("routine"), letter("urgent", urgent=True))
        deliver(here)
        clock.forward(hours=4)
        deliver(here)
        assert states(program) == {"routine": "waiting", "urgent": "given up"}
        clock.now = START + timedelta(hours=108)
        done = deliver(here)
    assert states(program)["routine"] == "given up"
    assert done.given_up == (rows(program)["routine"].id,)


def test_an_unreachable_server_gives_a_letter_up_only_by_its_age_and_not_at_the_first_failure(
    sqlite_program: Program, clock: Clock
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    here = office(sqlite_program, port)
    post(here, letter("n", urgent=True))
    clock.forward(hours=5)  # our own outage
    assert deliver(here).given_up == ()
    assert states(here) == {"n": "waiting"}
    clock.forward(minutes=1)
    assert len(deliver(here).given_up) == 1
    assert states(here) == {"n": "given up"}


def test_an_address_that_is_none_is_given_up_with_the_reason(sqlite_program: Program) -> None:
    with Receiver() as receiver:
        post(sqlite_program, letter("n", to="front desk"), letter("ok"))
        deliver(office(sqlite_program, receiver.port, lanes=1))
    assert states(sqlite_program) == {"n": "given up", "ok": "sent"}
    assert "'front desk' is not an e-mail address" in rows(sqlite_program)["n"].last_answer
    assert "RCPT" in receiver.commands and receiver.recipients() == ["ok@example.org"]


def test_an_address_beyond_ascii_needs_a_server_that_says_it_can(sqlite_program: Program) -> None:
    with Receiver() as receiver:
        post(sqlite_program, letter("n", to="jürgen@example.org"))
        deliver(office(sqlite_program, receiver.port))
    assert states(sqlite_program) == {"n": "given up"}
    assert "SMTPUTF8" in rows(sqlite_program)["n"].last_answer
    with Receiver(utf8=True) as receiver:
        post(sqlite_program, letter("m", to="jürgen@example.org"))
        assert deliver(office(sqlite_program, receiver.port)).sent == 1
    assert receiver.recipients() == ["jürgen@example.org"]


def test_outcomes_are_written_once_more_when_the_database_was_busy(
    sqlite_program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = iter([True, True])
    settle = box.settle

    def once_busy(*given: object) -> int:
        if next(busy, False):
            raise OperationalError("", {}, Exception("database is locked"))
        return settle(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(box, "settle", once_busy)
    monkeypatch.setattr(hold, "WRITE_AGAIN", (0.0, 0.0, 0.0))
    with Receiver() as receiver:
        post(sqlite_program, letter("n"))
        deliver(office(sqlite_program, receiver.port))
    assert len(receiver.letters) == 1
    assert states(sqlite_program) == {"n": "sent"}


def test_an_error_in_the_database_is_not_swallowed_and_the_letters_go_again(
    sqlite_program: Program, clock: Clock
) -> None:
    def broken(*_given: object) -> int:
        raise RuntimeError("the database is not what it was")

    with Receiver() as receiver:
        here = office(sqlite_program, receiver.port, lanes=1)
        post(here, letter("a"), letter("b"))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(box, "settle", broken)
            with pytest.raises(RuntimeError, match="not what it was"):
                deliver(here)
        assert "sent" not in states(here).values()
        clock.now += hold.LEASE
        deliver(here)
    assert states(here) == {"a": "sent", "b": "sent"}
    assert set(receiver.recipients()) == {"a@example.org", "b@example.org"}


def test_asked_to_stop_it_finishes_the_letter_in_hand_and_leaves_the_rest(program: Program) -> None:
    stop = threading.Event()
    with Receiver() as receiver:
        here = office(program, receiver.port, lanes=1)
        post(here, *(letter(f"n{number}") for number in range(5)))

        def ask() -> None:
            stop.set()
            # Not answered before the delivery has noticed: it looks at the event, the letter goes on.
            assert_true(noticed.wait(10))

        noticed = threading.Event()
        receiver.meanwhile = ask
        watch = delivery._watch

        async def watched(event: threading.Event, asked: asyncio.Event) -> None:
            await watch(event, asked)
            noticed.set()

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(delivery, "_watch", watched)
            done = deliver(here, stop=stop)
    assert (done.sent, done.waiting, done.trouble) == (1, 4, "")
    assert len(receiver.letters) == 1
    assert sorted((row.state, row.tries) for row in rows(program).values()) == [("sent", 1)] + [("waiting", 0)] * 4


def test_asked_to_stop_it_leaves_a_server_that_does_not_answer(
    sqlite_program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "GRACE_SECONDS", 0.05)
    stop, answered = threading.Event(), threading.Event()
    with Receiver() as receiver:

        def ask() -> None:
            stop.set()
            assert_true(answered.wait(20))

        receiver.meanwhile = ask
        post(sqlite_program, letter("n"))
        done = deliver(office(sqlite_program, receiver.port), stop=stop)
        answered.set()
    assert (done.sent, done.waiting) == (0, 1)
    assert (rows(sqlite_program)["n"].state, rows(sqlite_program)["n"].tries) == ("waiting", 1)


def test_asked_to_stop_while_it_waits_for_a_greeting_it_goes_at_once(sqlite_program: Program) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        post(sqlite_program, letter("n"))
        here = office(sqlite_program, silent.getsockname()[1])

        async def run() -> delivery.Delivered:
            stop = asyncio.Event()
            task = asyncio.create_task(deliver_async(here, stop))
            await asyncio.to_thread(silent.accept)
            stop.set()
            async with asyncio.timeout(5):
                return await task

        done = asyncio.run(run())
    assert (done.sent, done.waiting, done.trouble) == (0, 1, "")
    assert (rows(sqlite_program)["n"].state, rows(sqlite_program)["n"].tries) == ("waiting", 0)


def test_cut_short_from_outside_it_still_settles_what_was_accepted(sqlite_program: Program, clock: Clock) -> None:
    at_work, answered = threading.Event(), threading.Event()

    def second_one_waits() -> None:
        if len(receiver.offered) == 2:
            at_work.set()
            assert_true(answered.wait(20))

    async def run(here: Program) -> None:
        task = asyncio.create_task(deliver_async(here, asyncio.Event()))
        await asyncio.to_thread(at_work.wait, 20)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    with Receiver() as receiver:
        receiver.meanwhile = second_one_waits
        here = office(sqlite_program, receiver.port, lanes=1)
        post(here, letter("a"), letter("b"), letter("c"))
        asyncio.run(run(here))
        answered.set()
        assert states(here)["a"] == "sent"
        assert "sent" not in (states(here)["b"], states(here)["c"])
        clock.now += hold.LEASE
        receiver.meanwhile = lambda: None
        deliver(here)
    assert states(here) == dict.fromkeys("abc", "sent")
    assert receiver.message_ids().count("<a@test.example.org>") == 1


def test_the_lease_is_renewed_while_a_letter_is_on_its_way(
    program: Program, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hold, "RENEW_SECONDS", 0.01)
    renewed = threading.Event()
    renew = box.renew

    def seen(conn: object, holder: str, now: object, lease: object) -> None:
        renew(conn, holder, now, lease)  # type: ignore[arg-type]
        if now == START + timedelta(seconds=100):
            renewed.set()

    monkeypatch.setattr(box, "renew", seen)
    found: list[object] = []

    def slow() -> None:
        clock.forward(seconds=100)
        assert_true(renewed.wait(20))
        renewed.clear()
        assert_true(renewed.wait(20))  # the one seen before may not have been committed yet
        clock.forward(seconds=100)  # past the first lease
        with program.store.write() as conn:
            found.extend(box.claim(conn, "another", clock(), 10, hold.LEASE))

    with Receiver() as receiver:
        receiver.meanwhile = slow
        post(program, letter("n"))
        done = deliver(office(program, receiver.port))
    assert found == []
    assert done.sent == 1


def test_two_deliveries_at_once_send_each_letter_once(program: Program, database_url: str) -> None:
    with Receiver() as receiver:
        here = office(program, receiver.port, batch=3, lanes=2)
        other = replace(here, store=open_store(database_url))
        post(here, *(letter(f"n{number}") for number in range(40)))
        done: list[delivery.Delivered] = []
        threads = [threading.Thread(target=lambda one=one: done.append(deliver(one))) for one in (here, other)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        other.store.close()
    assert sum(one.sent for one in done) == 40
    assert len(set(receiver.recipients())) == len(receiver.letters) == 40
    assert set(states(program).values()) == {"sent"}


def _tick(program: Program) -> delivery.Delivered:
    """As the service does it: only what is due."""

    async def run() -> delivery.Delivered:
        return await deliver_async(program, asyncio.Event())

    return asyncio.run(run())


def assert_true(value: bool) -> None:
    assert value
