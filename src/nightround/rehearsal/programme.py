"""What a rehearsal found: who would get what, when; what would reach nobody; what is open at the end. Looks only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from ..cases.listing import listed
from ..letters.box import Outcome
from ..store.tables import cases, messages, people, sites, tellings, units


@dataclass(frozen=True, slots=True)
class Message:
    """One message. `at` is when it would be sent; for one that would not be, when it would be given up, or None
    where it would still wait at the end. `about` holds the codes of units (of a site, for its spares)."""

    at: datetime | None
    to: str
    kind: str
    subject: str
    about: tuple[str, ...]
    person: str
    cases: tuple[int, ...]
    urgent: bool
    written_at: datetime
    tries: int
    answer: str

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return asdict(self) | {"about": list(self.about), "cases": list(self.cases)}


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that somebody should mend, with the first and the last look at which it was so."""

    first_at: datetime
    last_at: datetime
    what: str


class Findings:
    """What comes up during a rehearsal."""

    def __init__(self) -> None:
        self._seen: dict[str, tuple[datetime, datetime]] = {}
        self._untold: tuple[str, ...] = ()
        self.notes: list[str] = []
        self.ended: dict[int, datetime] = {}

    def add(self, at: datetime, found: Iterable[str]) -> None:
        """What is wrong at a look."""
        for what in found:
            self._seen[what] = (self._seen.get(what, (at, at))[0], at)

    def untold(self, at: datetime, found: Iterable[str]) -> None:
        """Who should have been told at a look and cannot be."""
        self._untold = tuple(found)
        self.go_on(at)

    def go_on(self, at: datetime) -> None:
        """A look at which nobody had to be told of anything new: who could not be told before still cannot."""
        self.add(at, self._untold)

    def note(self, at: datetime, sentence: str) -> None:
        """Something that was supposed and came to nothing; "" is passed over."""
        if sentence:
            self.notes.append(f"{at.isoformat(timespec='minutes')} {sentence}")

    def given_up(self, at: datetime, outcomes: Sequence[Outcome]) -> None:
        """Keeps when letters were given up, which the letter box does not."""
        self.ended.update((became.id, at) for became in outcomes if became.state == "given up")

    def listed(self) -> tuple[Finding, ...]:
        """All of it, by when it first came up."""
        found = [Finding(first, last, what) for what, (first, last) in self._seen.items()]
        return tuple(sorted(found, key=lambda finding: (finding.first_at, finding.what)))


@dataclass(frozen=True, slots=True)
class Programme:
    """What a rehearsal from `start` to before `end` found. `unsent` are messages that would reach nobody by then."""

    start: datetime
    end: datetime
    messages: tuple[Message, ...]
    unsent: tuple[Message, ...]
    findings: tuple[Finding, ...]
    cases: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return {
            "from": self.start,
            "until": self.end,
            "messages": [message.as_dict() for message in self.messages],
            "unsent": [message.as_dict() for message in self.unsent],
            "unreachable": [asdict(finding) for finding in self.findings],
            "cases": list(self.cases),
            "notes": list(self.notes),
        }


def programme(conn: Connection, start: datetime, end: datetime, before: set[int], findings: Findings) -> Programme:
    """Reads it from the copy, once all days are over; `before` are messages that had come to their end at the start."""
    about = _about(conn)
    sent: list[Message] = []
    unsent: list[Message] = []
    query = select(
        messages.c.id,
        messages.c.key,
        messages.c.kind,
        messages.c.to_address,
        messages.c.subject,
        messages.c.urgent,
        messages.c.created_at,
        messages.c.state,
        messages.c.tries,
        messages.c.sent_at,
        messages.c.last_answer,
        people.c.person,
    ).outerjoin(people, people.c.id == messages.c.person_id)
    for row in conn.execute(query.order_by(messages.c.id)):
        if row.id in before:
            continue
        codes, ids = about.get(row.id, ((), ()))
        message = Message(
            row.sent_at if row.state == "sent" else findings.ended.get(row.id),
            row.to_address,
            row.kind,
            row.subject,
            codes or ((row.key.rpartition("/")[2],) if row.kind == "weekly" else ()),
            row.person or "",
            ids,
            row.urgent,
            row.created_at,
            row.tries,
            row.last_answer if row.state != "sent" else "",
        )
        (sent if row.state == "sent" else unsent).append(message)
    sent.sort(key=lambda message: message.at or end)
    return Programme(
        start, end, tuple(sent), tuple(unsent), findings.listed(), tuple(_open(conn, end)), tuple(findings.notes)
    )


def _about(conn: Connection) -> dict[int, tuple[tuple[str, ...], tuple[int, ...]]]:
    """By message, the units or sites and the cases that it tells of."""
    query = (
        select(tellings.c.message_id, cases.c.id, units.c.unit, sites.c.site)
        .join(cases, cases.c.id == tellings.c.case_id)
        .outerjoin(sites, sites.c.id == cases.c.site_id)
        .outerjoin(units, units.c.id == cases.c.unit_id)
    )
    found: dict[int, tuple[set[str], set[int]]] = {}
    for message_id, case_id, unit, site in conn.execute(query).all():
        codes, ids = found.setdefault(message_id, (set(), set()))
        codes.update({unit or site} - {None})
        ids.add(case_id)
    return {message_id: (tuple(sorted(codes)), tuple(sorted(ids))) for message_id, (codes, ids) in found.items()}


def _open(conn: Connection, end: datetime) -> list[dict[str, Any]]:
    """The cases that are open at the end, worst first, each with whom a message about it has reached, and when."""
    told: dict[int, dict[str, datetime]] = {}
    query = (
        select(tellings.c.case_id, func.coalesce(people.c.person, tellings.c.mailbox), messages.c.sent_at)
        .outerjoin(people, people.c.id == tellings.c.person_id)
        .join(messages, messages.c.id == tellings.c.message_id)
        .where(messages.c.sent_at.is_not(None))
        .order_by(messages.c.sent_at, messages.c.id)
    )
    for case_id, person, sent_at in conn.execute(query).all():
        told.setdefault(case_id, {}).setdefault(person, sent_at)
    found = []
    for case in listed(conn, end):
        knows = [{"person": person, "at": at} for person, at in told.get(case["case"], {}).items()]
        found.append({**case, "told": knows})
    return found
