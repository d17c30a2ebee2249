"""What about a unit or a site needs a person now, as pure decisions: one cause a matter, and how grave each is.

| cause | kind | severity | while |
| --- | --- | --- | --- |
| `…/fault` | fault | urgent | a fault is on record and not put right |
| `…/used` | used | urgent | a use is not restored |
| `…/not-to-be-relied-on` | not-to-be-relied-on | urgent | other reasons hold: pads, battery, a past label date |
| `…/notice/REF` | notice | urgent | the notice says stop using, or is of the gravest class and overdue |
| `…/notice/REF` | notice | soon | the duty of any other notice is overdue |
| `…/overdue` | overdue | soon | other duties are overdue |
| `…/overdue` | long-overdue | soon | one of them for longer than its own interval, or than the days set |
| `…/not-recorded` | not-recorded | routine | a date has not been on record for longer than the days set |
| `…/no-contact` | no-contact | soon | nobody answers for the site (a site's own duty) |
| `p9/mail` | mail-given-up | soon | the last letter to a person's address was given up (`cases.fleetwide`) |
| `z/ZONE` | round-missed | urgent | a time zone's round is late (`cases.fleetwide`) |

A case that becomes long overdue goes on under its number: it is raised, not closed and opened anew, and its ladder
begins at the top again (`grade`). What a fault or a use leaves to be done at once is told with it. A unit not to be
relied on, and a site that is closed, keep back what can wait: looks, tests, parts, dates that are not recorded. A
withdrawn unit asks for another in its place and for the word to the register.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from ..reckoning.owed import OWED_WHEN_WITHDRAWN, Condition, Duty, Reason, Reckoned, Standing

FAULT, USED, UNRELIABLE, NOTICE = Reason.FAULT, Reason.USED, Reason.UNRELIABLE, Reason.NOTICE
OVERDUE = "overdue"
LONG_OVERDUE = "long-overdue"
NOT_RECORDED = "not-recorded"
NO_CONTACT = "no-contact"
MAIL_GIVEN_UP = "mail-given-up"
ROUND_MISSED = "round-missed"
KINDS = (
    FAULT,
    USED,
    UNRELIABLE,
    NOTICE,
    OVERDUE,
    LONG_OVERDUE,
    NOT_RECORDED,
    NO_CONTACT,
    MAIL_GIVEN_UP,
    ROUND_MISSED,
)
URGENT, SOON, ROUTINE = "urgent", "soon", "routine"
# A grade between two severities: what is long overdue climbs the ladder of its severity, and is worse than before.
LONG = "long"
WEIGHT = {URGENT: 0, SOON: 1, ROUTINE: 2}
# Why a case that stays open is told to nobody for a while.
CLOSED_SITE, HIDDEN = "closed", "unreliable"
# How the causes of groups begin, after the site's: a pattern for SQL.
GROUPS = "s%/group/%"
# What has to be done once something has happened to the unit: never put off, never the same for many.
AT_ONCE = frozenset({"put-right", "restore", "download", "crew-note", "report-use", "replace"})
# Which of a site's own duties have a kind of case to themselves.
OF_SITES = {"no-contact": NO_CONTACT}
_ROUNDS = frozenset({"look", "test", "inspection", "report-check", "self-test-report"})
_TOLD_WITH = {
    FAULT: frozenset({"put-right", "replace"}),
    USED: frozenset({"restore", "download", "crew-note", "report-use"}),
    UNRELIABLE: frozenset({"put-right", "replace"}),
}
# Texts kept at most: many units have the same.
_KEPT = 20_000
_KEY_LENGTH = 36


class Limits(NamedTuple):
    """From when on something is long so, in days, and whether the notice of a reference is of the gravest class."""

    long_overdue_days: int = 30
    not_recorded_days: int = 14
    is_gravest: Callable[[str], bool] = lambda _: False


class Cause(NamedTuple):
    """Something that needs a person now; one open case a cause.

    `tail` names the cause within its holder. `shared` is the same for cases that may be told as one, "" where it is
    always told alone. `what` is the text of a JSON list: see `item`. `held` says why it can wait for now ("": it
    cannot): its case is paused, from its beginning where it is new, and told to nobody.
    """

    tail: str
    kind: str
    severity: str
    shared: str
    what: str
    held: str = ""


class Causes:
    """Decides for the units and sites of one round. Holds texts already made; the decisions depend on nothing kept."""

    def __init__(self, on: date, limits: Limits) -> None:
        self._on = on
        self._limits = limits
        self._texts: dict[Any, str] = {}

    def of_unit(self, reckoned: Reckoned, since: Callable[[str], date | None], closed: bool = False) -> list[Cause]:
        """The causes of a unit, in the order of the table.

        `since` gives the day from which a duty, by its key, has stood as not recorded (None: from this day).
        `closed`: its site is closed on the day.
        """
        overdue, unknown = self._standing(reckoned.duties, since)
        condition = reckoned.condition
        if condition is Condition.WITHDRAWN:
            overdue, unknown = [duty for duty in overdue if duty.kind in OWED_WHEN_WITHDRAWN], []
        if condition is not Condition.NOT_TO_BE_RELIED_ON:
            return self._owed(overdue, unknown, CLOSED_SITE if closed else "") if overdue or unknown else []
        told, rest = _told_with(reckoned.reasons, overdue)
        waiting = sum(duty.kind not in AT_ONCE and duty.kind != NOTICE for duty in rest) + len(unknown)
        found: list[Cause] = []
        for (kind, about), (reasons, duties) in told.items():
            others = waiting if not found else 0
            tail = f"{NOTICE}/{about}" if kind == NOTICE else kind
            shared = f"{NOTICE}/{key_of(about)}" if kind == NOTICE else ""
            found.append(Cause(tail, kind, URGENT, shared, self._what(reasons, duties, others)))
        if rest or unknown:
            found += self._owed(rest, unknown, HIDDEN)
        return found

    def of_site(self, duties: Sequence[Duty], since: Callable[[str], date | None], closed: bool = False) -> list[Cause]:
        """The causes of a site's own duties: spares kept there for no one unit, its people."""
        overdue, unknown = self._standing(duties, since)
        if not overdue and not unknown:
            return []
        own = [duty for duty in overdue if duty.kind in OF_SITES]
        found = self._owed([duty for duty in overdue if duty.kind not in OF_SITES], unknown, CLOSED_SITE * closed)
        # A site has one case of each of these at most: there is nothing to put together.
        found = [cause if cause.kind == NOTICE else cause._replace(shared="") for cause in found]
        for kind in sorted({OF_SITES[duty.kind] for duty in own}):
            theirs = [duty for duty in own if OF_SITES[duty.kind] == kind]
            found.append(Cause(kind, kind, SOON, "", self._what((), theirs)))
        return found

    def _standing(self, duties: Iterable[Duty], since: Callable[[str], date | None]) -> tuple[list[Duty], list[Duty]]:
        """The overdue duties, the longest overdue first, and those that have long not been recorded."""
        overdue: list[Duty] = []
        unknown: list[Duty] = []
        for duty in duties:
            standing = duty.standing
            if standing is Standing.OVERDUE:
                overdue.append(duty)
            elif standing is Standing.NOT_RECORDED:
                first = since(duty.key)
                if first is not None and (self._on - first).days > self._limits.not_recorded_days:
                    unknown.append(duty)
        if len(overdue) > 1:
            overdue.sort(key=lambda duty: (duty.last_good_day or date.max, duty.key))
        if len(unknown) > 1:
            unknown.sort(key=lambda duty: duty.key)
        return overdue, unknown

    def _owed(self, overdue: Sequence[Duty], unknown: Sequence[Duty], held: str) -> list[Cause]:
        found: list[Cause] = []
        others: list[Duty] = []
        for duty in overdue:
            if duty.kind == NOTICE:
                found.append(self._notice(duty))
            else:
                others.append(duty)
        at_once = [duty for duty in others if duty.kind in AT_ONCE]
        if held and at_once:
            others, now = at_once, ""
        else:
            now = held
        if others:
            kind = LONG_OVERDUE if any(self._is_long(duty) for duty in others) else OVERDUE
            shared = "" if at_once else f"{OVERDUE}/{_kinds(others)}"
            found.append(Cause(OVERDUE, kind, SOON, shared, self._what((), others), now))
        if unknown:
            shared = f"{NOT_RECORDED}/{_kinds(unknown)}"
            found.append(Cause(NOT_RECORDED, NOT_RECORDED, ROUTINE, shared, self._what((), unknown), held))
        return found

    def _notice(self, duty: Duty) -> Cause:
        reference = duty.key.removeprefix(f"{NOTICE}/")
        severity = URGENT if self._limits.is_gravest(reference) else SOON
        return Cause(f"{NOTICE}/{reference}", NOTICE, severity, f"{NOTICE}/{key_of(reference)}", self._what((), [duty]))

    def _is_long(self, duty: Duty) -> bool:
        if duty.last_good_day is None:
            return False
        allowed = timedelta(days=self._limits.long_overdue_days)
        if duty.kind in _ROUNDS and duty.period:
            allowed = min(allowed, duty.interval or duty.last_good_day - date.fromisoformat(duty.period))
        return self._on - duty.last_good_day > allowed

    def _what(self, reasons: Sequence[str], duties: Sequence[Duty], others: int = 0) -> str:
        key = (*reasons, others, *[(duty.subject, duty.last_good_day, duty.because[0]) for duty in duties])
        text = self._texts.get(key)
        if text is None:
            if len(self._texts) >= _KEPT:
                self._texts.clear()
            said = [*(item("condition", None, reason) for reason in reasons), *map(_of_duty, duties)]
            if others:
                said.append(item("others", None, others_said(others)))
            text = self._texts[key] = text_of(said)
        return text


_Told = dict[tuple[str, str], tuple[list[str], list[Duty]]]


def _told_with(reasons: Sequence[str], overdue: Sequence[Duty]) -> tuple[_Told, list[Duty]]:
    """The reasons by what they are about, each with the duties that it has made overdue, and the other duties."""
    found: _Told = {}
    for reason in sorted(reasons, key=_order):
        kind, about = _about(reason)
        found.setdefault((kind, about), ([], []))[0].append(reason)
    rest: list[Duty] = []
    for duty in overdue:
        mine = next((duties for which, (_, duties) in found.items() if _belongs(duty, *which)), rest)
        mine.append(duty)
    return found, rest


def _about(reason: str) -> tuple[str, str]:
    return (reason.kind, reason.about) if isinstance(reason, Reason) else (UNRELIABLE, "")


def _order(reason: str) -> int:
    return KINDS.index(_about(reason)[0])  # sorted() keeps those of one kind in their order


def _belongs(duty: Duty, kind: str, about: str) -> bool:
    if kind == NOTICE:
        return duty.key == f"{NOTICE}/{about}"
    if duty.kind in _TOLD_WITH[kind]:
        return True
    if "/fitted/" not in duty.key:
        return False
    # A use has taken the pads; what else is wrong with parts makes the unit unreliable by itself.
    return (duty.kind.startswith("pads") and kind in (USED, UNRELIABLE)) or (
        duty.kind == "battery" and kind == UNRELIABLE
    )


def _kinds(duties: Iterable[Duty]) -> str:
    """What is owed, without dates or numbers, the same for the same set of kinds."""
    return key_of("+".join(sorted({f"{duty.kind}-spare" if "/spare/" in duty.key else duty.kind for duty in duties})))


def key_of(text: str) -> str:
    """The text itself where it is short, else its beginning and a digest: fits into a cause."""
    if len(text) <= _KEY_LENGTH:
        return text
    return f"{text[: _KEY_LENGTH - 13]}-{hashlib.sha256(text.encode()).hexdigest()[:12]}"


def others_said(n: int) -> str:
    """That other duties wait until the unit can be relied on again, and how many."""
    return f"{n} other {'duty waits' if n == 1 else 'duties wait'} too; see the unit's page"


def item(
    subject: str,
    good: date | None,
    reason: str,
    rule: str = "",
    force: str = "",
    source: str = "",
) -> dict[str, Any]:
    """One entry of what a case says.

    `subject` is that of the duty; or "condition" for a reason about the unit as a whole, "others" for a count of what
    waits, "mail" and "round" where it is about no unit: then `reason` is all there is to say (`PLAIN`). Of a duty
    without a last good day the date is not recorded.
    """
    return {
        "subject": subject,
        "last_good_day": good,
        "reason": reason,
        "rule": rule,
        "force": force,
        "source": source,
    }


PLAIN = frozenset({"condition", "others", "mail", "round"})


def sentence(said: Mapping[str, Any]) -> str:
    """One entry of what a case says, in words, as tables and histories show it."""
    if said["subject"] in PLAIN:
        return str(said["reason"])
    if said["last_good_day"] is None:
        return f"{said['subject']}: not recorded, {said['reason']}"
    return f"{said['subject']}: overdue, last good day was {said['last_good_day']}"


def sentences(what: str) -> list[str]:
    """Everything that a case says, in words."""
    return [sentence(said) for said in json.loads(what)]


def spoken(what: str) -> str:
    """Everything that a case says, as one line of its history."""
    return "; ".join(sentences(what))


def weight(kind: str, severity: str) -> tuple[int, bool]:
    """How grave a case is, the gravest least: what has long been overdue outweighs what has just become so."""
    return WEIGHT[severity], kind != LONG_OVERDUE


def grade(kind: str, severity: str) -> str:
    """How grave a case is to a ladder: its severity, or that it is long overdue. Whoever was told hears that anew."""
    return LONG if kind == LONG_OVERDUE and severity != URGENT else severity


def _of_duty(duty: Duty) -> dict[str, Any]:
    winner = duty.because[0]
    return item(duty.subject, duty.last_good_day, winner.evidence, winner.title, winner.force, winner.source)


def text_of(said: Sequence[Mapping[str, Any]]) -> str:
    """The text of what a case says."""
    return json.dumps(said, sort_keys=True, ensure_ascii=False, default=date.isoformat)
