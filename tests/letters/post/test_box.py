"""The letter box: what is in it once, who may claim it, and in what order."""

from __future__ import annotations

import threading
from datetime import timedelta

from sqlalchemy import insert, update

from nightround.bootstrap import Program
from nightround.letters import box
from nightround.letters.box import Claimed, Outcome
from nightround.store.database import Store, open_store
from nightround.store.tables import messages

from ...conftest import START, Clock
from .build import letter, post, rows, states

LEASE = timedelta(minutes=2)


def claim(program: Program, holder: str = "me", limit: int = 50, **given: object) -> list[Claimed]:
    with program.store.write() as conn:
        return box.claim(conn, holder, program.clock(), limit, LEASE, **given)  # type: ignore[arg-type]


def settle(program: Program, holder: str, *outcomes: Outcome) -> int:
    with program.store.write() as conn:
        return box.settle(conn, holder, outcomes)


def sent(one: Claimed) -> Outcome:
    return Outcome(one.id, "sent", one.tries + 1, one.next_try_at, START, "250")


def test_a_key_is_in_the_box_once(program: Program) -> None:
    assert len(post(program, letter("a"))) == 1
    assert post(program, letter("a", to="somebody.else@example.org")) == []
    assert rows(program)["a"].to_address == "a@example.org"


def test_a_letter_goes_in_with_the_change_that_caused_it_or_not_at_all(program: Program) -> None:
    class ChangedMind(Exception):
        pass

    try:
        with program.store.write() as conn:
            box.post(conn, letter("a"))
            raise ChangedMind
    except ChangedMind:
        pass
    assert rows(program) == {}


def test_what_is_claimed_is_nobody_elses_until_its_lease_ends(program: Program, clock: Clock) -> None:
    post(program, letter("a"))
    assert [one.key for one in claim(program, "first")] == ["a"]
    assert claim(program, "second") == []
    clock.forward(seconds=119)
    assert claim(program, "second") == []
    clock.forward(seconds=1)
    assert [one.key for one in claim(program, "second")] == ["a"]


def test_only_the_holder_says_what_became_of_a_letter(program: Program, clock: Clock) -> None:
    post(program, letter("a"))
    (one,) = claim(program, "first")
    assert settle(program, "second", sent(one)) == 0
    clock.forward(minutes=2)
    (again,) = claim(program, "second")
    assert settle(program, "first", sent(one)) == 0
    assert states(program) == {"a": "sending"}
    assert settle(program, "second", sent(again)) == 1
    assert settle(program, "second", sent(again)) == 0
    assert states(program) == {"a": "sent"}


def test_many_outcomes_are_counted_one_by_one(program: Program) -> None:
    post(program, *(letter(name) for name in "abc"))
    with program.store.write() as conn:
        first = box.claim(conn, "first", START, 2, LEASE)
    others = claim(program, "second")
    assert settle(program, "first", *(sent(one) for one in first + others)) == 2
    assert states(program) == {"a": "sent", "b": "sent", "c": "sending"}


def test_a_renewed_lease_holds_longer_and_a_release_puts_back(program: Program, clock: Clock) -> None:
    post(program, letter("a"))
    claim(program, "first")
    clock.forward(seconds=100)
    with program.store.write() as conn:
        box.renew(conn, "first", program.clock(), LEASE)
    clock.forward(seconds=100)
    assert claim(program, "second") == []
    with program.store.write() as conn:
        assert box.release(conn, "somebody else") == 0
        assert box.release(conn, "first") == 1
    row = rows(program)["a"]
    assert (row.state, row.tries, row.holder, row.lease_until) == ("waiting", 0, "", None)


def test_urgent_letters_go_first_and_what_failed_before_takes_turns_with_what_is_new(program: Program) -> None:
    earlier = START - timedelta(days=1)
    post(
        program,
        *(letter(f"new{number}", created_at=START - timedelta(minutes=10 - number)) for number in range(3)),
        *(letter(f"failed{number}", created_at=earlier) for number in range(3)),
        letter("urgent", urgent=True),
        letter("urgent failed", urgent=True, created_at=earlier),
        letter("not yet", created_at=START + timedelta(seconds=1)),
    )
    with program.store.write() as conn:
        conn.execute(update(messages).where(messages.c.key.contains("failed")).values(tries=1))
    order = ["urgent", "urgent failed", "new0", "failed0", "new1", "failed1", "new2", "failed2"]
    assert [one.key for one in claim(program, limit=4)] == order[:4]
    assert [one.key for one in claim(program, limit=4)] == order[4:]


def test_one_letter_can_be_claimed_alone(program: Program) -> None:
    _, second = post(program, letter("a"), letter("b"))
    assert [one.key for one in claim(program, only=second)] == ["b"]


def test_what_failed_in_this_delivery_is_left_for_the_next_one(program: Program, clock: Clock) -> None:
    post(program, letter("a"))
    with program.store.write() as conn:
        conn.execute(update(messages).values(tries=1, next_try_at=START + timedelta(seconds=1)))
    clock.forward(seconds=10)
    assert claim(program, again_by=START) == []
    assert len(claim(program)) == 1


def test_many_claimers_at_once_never_get_the_same_letter(program: Program, database_url: str) -> None:
    with program.store.write() as conn:
        conn.execute(
            insert(messages),
            [
                {
                    "key": f"n{number}",
                    "kind": "test",
                    "to_address": "a@example.org",
                    "subject": "",
                    "message_id": f"<{number}>",
                    "body": b"",
                    "urgent": number % 7 == 0,
                    "created_at": START,
                    "state": "waiting",
                    "tries": number % 2,
                    "next_try_at": START,
                }
                for number in range(600)
            ],
        )
    got: list[list[int]] = [[] for _ in range(4)]
    together = threading.Barrier(4)

    def work(number: int) -> None:
        store = open_store(database_url)
        together.wait()
        while batch := _claim_of(store, f"holder {number}"):
            got[number] += [one.id for one in batch]
        store.close()

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    everything = [one for some in got for one in some]
    assert len(everything) == len(set(everything)) == 600


def _claim_of(store: Store, holder: str) -> list[Claimed]:
    with store.write() as conn:
        batch = box.claim(conn, holder, START, 10, LEASE)
    assert len(batch) <= 10
    return batch
