"""Decides what a mail server's answer means for a letter: by the first digit, and by what was asked.

RFC 5321 §4.2.1. Pure: no clock, no network. A refusal of our login, of TLS or of our sender says nothing about the
letter; it is the operator's to mend, and the letters wait.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import accumulate

from ..settings import Mail
from .box import Claimed, Outcome
from .headers import one_line

ANSWER_LIMIT = 500


class Stage(StrEnum):
    """What was asked of the server, in the order of a session."""

    ADDRESS = "address"
    CONNECT = "connect"
    GREETING = "greeting"
    EHLO = "EHLO"
    TLS = "TLS"
    LOGIN = "login"
    MAIL = "MAIL"
    RCPT = "RCPT"
    DATA = "DATA"
    MESSAGE = "message"  # from the first octet of the letter to the answer to its final dot


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back. `code` is None where no answer did: no connection, a timeout, a broken connection, garbage."""

    stage: Stage
    code: int | None
    text: str

    def sentence(self) -> str:
        """For a person: the stage, the code if there is one, the server's words."""
        code = "" if self.code is None else f"{self.code} "
        return one_line(f"{self.stage}: {code}{self.text}")[:ANSWER_LIMIT]


_BEFORE_LETTERS = (Stage.CONNECT, Stage.GREETING, Stage.EHLO, Stage.TLS, Stage.LOGIN)


class Verdict(StrEnum):
    """What becomes of the letter."""

    ACCEPTED = "accepted"
    LATER = "later"  # a try that failed; try again by the schedule
    REFUSED = "refused"  # for good
    NOT_TRIED = "not tried"  # the connection was used up before the letter's turn; no try
    OPERATORS = "operator's"  # no letter can go before somebody mends something; no try


def judge(answer: Answer, *, fresh: bool) -> Verdict:
    """What an answer means. `fresh`: the connection had carried no letter before this one.

    A connection that ends between two letters (idle too long, enough for one session) is not the next letter's
    fault; one that ends on its first letter may be, so that is a try.
    """
    stage, code = answer.stage, answer.code
    if stage == Stage.ADDRESS:
        return Verdict.REFUSED
    if stage in _BEFORE_LETTERS:
        return Verdict.OPERATORS
    if stage == Stage.MAIL and (code is None or code == 421):
        return Verdict.LATER if fresh else Verdict.NOT_TRIED
    if code is None:
        return Verdict.LATER
    digit = code // 100
    if digit == 2 and stage == Stage.MESSAGE:
        return Verdict.ACCEPTED
    if digit != 5:
        return Verdict.LATER
    if code in (530, 535, 538) or (stage == Stage.MAIL and not _about_the_letter(answer)):
        return Verdict.OPERATORS
    return Verdict.REFUSED


def _about_the_letter(answer: Answer) -> bool:
    """Whether a refusal of MAIL is about this letter (size: RFC 1870, RFC 3463 X.2.3 and X.3.4; address: RFC 6531
    X.6.7) or about the sender."""
    return answer.code == 552 or answer.text.startswith(("5.2.3", "5.3.4", "5.6.7"))


def outcome(mail: Mail, letter: Claimed, answer: Answer, verdict: Verdict, now: datetime) -> Outcome:
    """What is written down about a letter after the server's answer.

    A failed letter is given up once its time is over. After the operator's trouble that needs a second failure: when
    we come back from a long outage of our own, the network may be a moment behind us.
    """
    tries, words = letter.tries, answer.sentence()
    if verdict == Verdict.NOT_TRIED:
        return put_back(letter)
    if verdict == Verdict.ACCEPTED:
        return Outcome(letter.id, "sent", tries + 1, letter.next_try_at, now, words)
    over = now >= give_up_at(mail, urgent=letter.urgent, created_at=letter.created_at)
    if verdict == Verdict.OPERATORS:
        if over and letter.last_answer:
            return Outcome(letter.id, "given up", tries, letter.next_try_at, None, words, now)
        due = next_look(
            mail, answer, urgent=letter.urgent, created_at=letter.created_at, due=letter.next_try_at, now=now
        )
        return Outcome(letter.id, "waiting", tries, due, None, words, now)
    if verdict == Verdict.LATER and not over:
        due = next_try(mail, urgent=letter.urgent, tries=tries, created_at=letter.created_at, now=now)
        return Outcome(letter.id, "waiting", tries + 1, due, None, words, now)
    return Outcome(letter.id, "given up", tries + 1, letter.next_try_at, None, words, now)


def put_back(letter: Claimed) -> Outcome:
    """As if the letter had not been claimed."""
    return Outcome(letter.id, "waiting", letter.tries, letter.next_try_at, None, letter.last_answer)


def next_try(mail: Mail, *, urgent: bool, tries: int, created_at: datetime, now: datetime) -> datetime:
    """When a letter is due again after its failed try. `tries` counts those before it. Never at once."""
    waits = _waits(mail, urgent)
    wait = timedelta(minutes=waits[min(tries, len(waits) - 1)])
    return _by(mail, urgent, created_at, now, now + wait)


def next_look(
    mail: Mail, answer: Answer, *, urgent: bool, created_at: datetime, due: datetime, now: datetime
) -> datetime:
    """When a letter is due again after the operator's trouble.

    A server that cannot be reached, or that breaks off every connection, is asked again at the next look round. One
    that turned us away is asked by the schedule, counted from the writing of the letter: a login repeated every minute
    may lock the account.
    """
    if not _turned_away(answer):
        return due
    waits = _waits(mail, urgent)
    for minutes in accumulate(waits):
        if (at := created_at + timedelta(minutes=minutes)) > now:
            return _by(mail, urgent, created_at, now, at)
    return _by(mail, urgent, created_at, now, now + timedelta(minutes=waits[-1]))


def _turned_away(answer: Answer) -> bool:
    if answer.code is None:
        return answer.stage in (Stage.TLS, Stage.LOGIN)
    return answer.stage in _BEFORE_LETTERS or answer.code // 100 == 5


def give_up_at(mail: Mail, *, urgent: bool, created_at: datetime) -> datetime:
    """From when on a letter is given up if it fails again (RFC 5321 §4.5.4.1: four to five days by default)."""
    return created_at + timedelta(hours=mail.urgent_give_up_hours if urgent else mail.give_up_hours)


def _waits(mail: Mail, urgent: bool) -> Sequence[int]:
    return mail.urgent_retry_minutes if urgent else mail.retry_minutes


def _by(mail: Mail, urgent: bool, created_at: datetime, now: datetime, at: datetime) -> datetime:
    """Not after the last try that the letter's time allows, and at least a second from now."""
    last = give_up_at(mail, urgent=urgent, created_at=created_at)
    return max(min(at, last), now + timedelta(seconds=1))
