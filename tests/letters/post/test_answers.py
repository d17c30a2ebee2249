"""What a server's answer means, as a table: stage and code in, verdict out."""

from __future__ import annotations

from datetime import timedelta

import pytest

from nightround.letters.answers import Answer, Stage, Verdict, judge, next_look, next_try
from nightround.settings import Mail

from ...conftest import START

A, L, R, N, OP = Verdict.ACCEPTED, Verdict.LATER, Verdict.REFUSED, Verdict.NOT_TRIED, Verdict.OPERATORS


@pytest.mark.parametrize(
    ("stage", "code", "words", "verdict"),
    [
        # RFC 5321 §4.2.1: 4yz may succeed later, 5yz will not; unknown codes by their first digit.
        (Stage.MESSAGE, 250, "taken", A),
        (Stage.MESSAGE, 252, "", A),
        (Stage.MESSAGE, 299, "", A),
        (Stage.MESSAGE, 421, "", L),
        (Stage.MESSAGE, 452, "4.2.2 mailbox full", L),
        (Stage.MESSAGE, 499, "", L),
        (Stage.MESSAGE, 552, "", R),
        (Stage.MESSAGE, 554, "", R),
        (Stage.MESSAGE, 599, "", R),
        (Stage.MESSAGE, 354, "an answer out of place", L),
        (Stage.MESSAGE, None, "connection lost", L),
        (Stage.DATA, 451, "", L),
        (Stage.DATA, 554, "", R),
        (Stage.DATA, 250, "neither yes nor no", L),
        (Stage.DATA, None, "", L),
        (Stage.RCPT, 421, "", L),
        (Stage.RCPT, 450, "", L),
        (Stage.RCPT, 452, "", L),
        (Stage.RCPT, 550, "5.1.1 nobody", R),
        (Stage.RCPT, 553, "", R),
        (Stage.RCPT, None, "", L),
        (Stage.MAIL, 451, "", L),
        (Stage.MAIL, 552, "too big", R),
        (Stage.MAIL, 550, "5.3.4 too big for this server", R),
        (Stage.MAIL, 553, "5.6.7 address not permitted", R),
        (Stage.ADDRESS, None, "no address", R),
        # About us, not about the letter. RFC 4954 §6: 530, 535, 538.
        (Stage.MAIL, 550, "5.7.1 sender not allowed", OP),
        (Stage.MAIL, 553, "", OP),
        (Stage.MAIL, 530, "5.7.0 authentication required", OP),
        (Stage.RCPT, 530, "5.7.0 authentication required", OP),
        (Stage.CONNECT, None, "refused", OP),
        (Stage.GREETING, 421, "too many", OP),
        (Stage.GREETING, 554, "no service", OP),
        (Stage.TLS, None, "not offered", OP),
        (Stage.LOGIN, 454, "temporary", OP),
        (Stage.LOGIN, 535, "wrong password", OP),
    ],
)
def test_an_answer_is_judged_by_stage_and_first_digit(
    stage: Stage, code: int | None, words: str, verdict: Verdict
) -> None:
    assert judge(Answer(stage, code, words), fresh=True) == verdict
    assert judge(Answer(stage, code, words), fresh=False) == verdict


@pytest.mark.parametrize("code", [421, None])
def test_a_session_that_ends_between_letters_is_not_the_next_letters_fault(code: int | None) -> None:
    ended = Answer(Stage.MAIL, code, "")
    assert judge(ended, fresh=False) == N
    assert judge(ended, fresh=True) == L


def test_the_schedule_is_that_of_the_settings_and_its_last_wait_repeats() -> None:
    # RFC 5321 §4.5.4.1: two tries in the first hour, then every two or three hours, four to five days in all.
    waits = [
        next_try(Mail(), urgent=False, tries=tries, created_at=START, now=START) - START
        for tries in (0, 1, 2, 3, 4, 40)
    ]
    assert [wait.total_seconds() / 60 for wait in waits] == [30, 30, 120, 180, 180, 180]
    urgent = [
        next_try(Mail(), urgent=True, tries=tries, created_at=START, now=START) - START for tries in (0, 1, 2, 3, 4, 40)
    ]
    assert [wait.total_seconds() / 60 for wait in urgent] == [1, 2, 5, 10, 15, 15]


def test_the_last_try_is_made_when_the_time_is_over() -> None:
    now = START + timedelta(hours=107)
    assert next_try(Mail(), urgent=False, tries=30, created_at=START, now=now) == START + timedelta(hours=108)


def test_no_schedule_makes_a_letter_due_at_once_again() -> None:
    at = next_try(Mail(retry_minutes=[0]), urgent=False, tries=0, created_at=START, now=START)
    assert at == START + timedelta(seconds=1)


@pytest.mark.parametrize(("minutes", "due"), [(0, 1), (1, 3), (2, 3), (3, 8), (8, 18), (18, 33), (33, 48)])
def test_a_server_that_turned_us_away_is_asked_by_the_schedule_from_the_writing_of_the_letter(
    minutes: int, due: int
) -> None:
    # From memory: mail hosts lock accounts after a handful of failed logins in ten minutes.
    at = next_look(
        Mail(),
        Answer(Stage.LOGIN, 535, "no"),
        urgent=True,
        created_at=START,
        due=START,
        now=START + timedelta(minutes=minutes),
    )
    assert at == START + timedelta(minutes=due)


def test_a_server_that_cannot_be_reached_is_asked_at_the_next_look() -> None:
    answer = Answer(Stage.CONNECT, None, "refused")
    assert next_look(Mail(), answer, urgent=False, created_at=START, due=START, now=START) == START


def test_what_the_server_says_is_kept_as_one_short_line() -> None:
    said = Answer(Stage.RCPT, 550, "no\nsuch\x1b[31m " + "x" * 2000).sentence()
    assert said.startswith("RCPT: 550 no such [31m xxx")
    assert len(said) == 500
