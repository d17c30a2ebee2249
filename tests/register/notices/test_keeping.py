"""Versions of notices: the highest is in force, the others stay readable, and nothing is written over."""

from __future__ import annotations

import pytest

from nightround.bootstrap import Program
from nightround.errors import UserError
from nightround.register.noticefile import parse_notice
from nightround.register.notices import add, current, known_reference, newest, versions
from tests.conftest import START

from .build import LEAST, WHOLE

SECOND = WHOLE.replace("version = 1", "version = 2").replace("2016-11-17", "2016-12-15")


def put(program: Program, text: str) -> bool:
    with program.store.write() as conn:
        return add(conn, parse_notice(text, "given.toml"), text, START)


def test_a_follow_up_takes_the_place_of_the_earlier_version_which_stays_readable(program: Program) -> None:
    assert put(program, WHOLE)
    assert put(program, LEAST)
    assert put(program, SECOND)
    with program.store.read() as conn:
        assert [(notice.reference, notice.version) for notice in current(conn)] == [("FSN-7", 2), ("FSN-8", 1)]
        assert current(conn)[0].complete_by == parse_notice(SECOND, "x").complete_by
        kept = versions(conn, "fsn-7")
        assert [(version.version, version.file, version.added_at) for version in kept] == [
            (2, SECOND, START),
            (1, WHOLE, START),
        ]


def test_the_same_version_again_changes_nothing(program: Program) -> None:
    put(program, WHOLE)
    with program.store.read() as conn:
        before = newest(conn)
    assert not put(program, WHOLE)
    assert not put(program, f"# the same, with a remark\n{WHOLE}")
    with program.store.read() as conn:
        assert newest(conn) == before
        assert len(versions(conn)) == 1


def test_an_older_version_may_be_given_again_as_it_is(program: Program) -> None:
    put(program, WHOLE)
    put(program, SECOND)
    assert not put(program, WHOLE)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (WHOLE.replace("relay may stick", "relay sticks"), "version 2 is on record; .* needs version 3"),
        (SECOND.replace("relay may stick", "relay sticks"), "needs version 3"),
        (SECOND.replace("FSN-7", "fsn-7").replace("version = 2", "version = 3"), "is on record as FSN-7; write it so"),
        (LEAST.replace("2016-10-06", "2026-11-27"), "key published_on: 2026-11-27 is still to come"),
        (LEAST.replace("action", "received_on = 2027-01-01\naction"), "key received_on: 2027-01-01 is still to come"),
    ],
)
def test_what_cannot_be_added_says_why_and_leaves_all_as_it_was(program: Program, text: str, said: str) -> None:
    put(program, WHOLE)
    put(program, SECOND)
    with pytest.raises(UserError, match=said):
        put(program, text)
    with program.store.read() as conn:
        assert len(versions(conn)) == 2


def test_a_reference_is_found_in_any_spelling_and_an_unknown_one_says_what_was_meant(program: Program) -> None:
    with program.store.read() as conn, pytest.raises(UserError, match="there is none yet"):
        known_reference(conn, "FSN-7")
    put(program, WHOLE)
    with program.store.read() as conn:
        assert known_reference(conn, " fsn-7") == "FSN-7"
        with pytest.raises(UserError, match="did you mean FSN-7"):
            known_reference(conn, "FSN-77")
        with pytest.raises(UserError, match="on record are: FSN-7"):
            versions(conn, "something else")


def test_without_notices_there_is_nothing_in_force(program: Program) -> None:
    with program.store.read() as conn:
        assert newest(conn) is None
        assert current(conn) == ()
