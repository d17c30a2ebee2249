"""A small fleet written straight into the tables that a round fills, so that a letter's rows are known to the day."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from typing import Any

from sqlalchemy import Connection, String, delete, insert, select, update

from nightround.bootstrap import Program
from nightround.store.tables import (
    cases,
    conditions,
    duties,
    ledger,
    messages,
    metadata,
    moves,
    parts,
    people,
    person_roles,
    person_sites,
    rota,
    sites,
    tellings,
    units,
)

TODAY = date(2026, 11, 25)  # a Wednesday of ISO week 48
LONDON = "Europe/London"

LOOK = {
    "rule": "house-look-monthly",
    "title": "Someone looks at each unit once a month",
    "force": "common practice",
    "source": "the house rules",
    "verified_on": "2026-11-20",
    "last_good_day": None,
    "evidence": "last done 2026-10-11",
}
LABEL = {
    "rule": "label",
    "title": "A part is good to its printed date",
    "force": "manufacturer",
    "source": "the label",
    "verified_on": None,
    "last_good_day": None,
    "evidence": "label date",
}


def day(days: int) -> date:
    """So many days from today."""
    return TODAY + timedelta(days=days)


@dataclass(frozen=True)
class Mail:
    """A stored letter as its reader sees it."""

    key: str
    kind: str
    to: str
    subject: str
    text: str
    html: str
    message: EmailMessage
    urgent: bool


class Fleet:
    """Writes rows and reads letters. Ids are kept by code."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.sites: dict[str, int] = {}
        self.units: dict[str, int] = {}
        self.people: dict[str, int] = {}
        self._site_of: dict[str, int] = {}
        self._number = 0
        self._open: Connection | None = None

    def know(self, other: Fleet) -> None:
        """Takes over what another has written, for the same database under other settings."""
        self.sites, self.units, self.people, self._site_of = other.sites, other.units, other.people, other._site_of

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """What is written within is one transaction: many rows are quick to write then."""
        with self.program.store.write() as conn:
            self._open = conn
            try:
                yield
            finally:
                self._open = None

    @contextmanager
    def _write(self) -> Iterator[Connection]:
        if self._open is not None:
            yield self._open
            return
        with self.program.store.write() as conn:
            yield conn

    def _one(self, table: Any, **values: Any) -> int:
        with self._write() as conn:
            return int(conn.execute(insert(table).values(**values).returning(table.c.id)).scalar_one())

    def clear(self) -> None:
        """Empties everything, for the next example."""
        with self.program.store.write() as conn:
            for table in reversed(metadata.sorted_tables):
                if table.name not in ("fleet",):
                    conn.execute(delete(table))
        self.sites, self.units, self.people = {}, {}, {}

    def site(self, code: str, zone: str = LONDON, name: str | None = None, **more: Any) -> int:
        values = {"site": code, "name": f"Site {code}" if name is None else name, "time_zone": zone, **more}
        self.sites[code] = self._one(sites, **{"address": f"1 {code} Street", **values})
        return self.sites[code]

    def unit(self, code: str, site: str, condition: str = "in service", *reasons: str, **more: Any) -> int:
        self._number += 1
        since = more.pop("since", TODAY)
        self._site_of[code] = self.sites[site]
        values = {"unit": code, "site_id": self.sites[site], "label": f"label{self._number:04}", **more}
        self.units[code] = self._one(units, **{"spot": "reception", "model": "Tarnlight Five", **values})
        if condition:
            with self._write() as conn:
                row = {"unit_id": self.units[code], "condition": condition, "reasons": json.dumps(reasons)}
                conn.execute(insert(conditions).values(**row, since=since, reckoned_on=TODAY))
        return self.units[code]

    def person(
        self,
        code: str,
        roles: str,
        at: Iterable[str] = (),
        *,
        whole: bool = False,
        email: str | None = None,
        **more: Any,
    ) -> int:
        address = f"{code.lower()}@example.org" if email is None else email
        values = {"name": f"Person {code}", "email": address, "whole_fleet": whole, **more}
        self.people[code] = self._one(people, person=code, **values)
        with self._write() as conn:
            for role in roles.split():
                conn.execute(insert(person_roles).values(person_id=self.people[code], role=role))
            for site in at:
                conn.execute(insert(person_sites).values(person_id=self.people[code], site_id=self.sites[site]))
        return self.people[code]

    def on_rota(self, person: str, start: datetime, end: datetime) -> None:
        self._one(rota, person_id=self.people[person], from_at=start, until_at=end)

    def duty(
        self,
        unit: str,
        kind: str,
        standing: str,
        good: date | None,
        *,
        site: str = "",
        because: Iterable[dict[str, Any]] = (LOOK,),
        **more: Any,
    ) -> int:
        """A duty of a unit, or of a site's spares where `unit` is empty."""
        self._number += 1
        unit_id = self.units[unit] if unit else None
        site_id = self.sites[site] if site else self._site_of[unit]
        said = [{**item, "last_good_day": str(good) if good else None} for item in because]
        values = {
            "holder": f"u{unit_id}" if unit else f"s{site_id}",
            "unit_id": unit_id,
            "site_id": site_id,
            "key": f"{kind}/{'fitted' if unit else 'spare'}/{self._number}" if kind not in _CHECKS else kind,
            "kind": kind,
            "subject": _CHECKS.get(kind, f"{kind}, {'fitted' if unit else 'spare'}"),
            "standing": standing,
            "last_good_day": good,
            "role": "coordinator",
            "because": json.dumps(said),
            "period": "",
            "uid": f"uid-{self._number}",
            "changed_at": self.program.clock(),
        }
        return self._one(duties, **{**values, **more})

    def case(
        self,
        unit: str,
        kind: str = "overdue",
        good: date | None = None,
        *,
        site: str = "",
        imported: bool = False,
        reason: str = "",
        **more: Any,
    ) -> int:
        """An open case: an overdue look, or a unit not to be relied on with the reason given."""
        unit_id = self.units[unit] if unit else None
        site_id = self.sites[site] if site else self._site_of[unit]
        if reason:
            empty = {"last_good_day": None, "rule": "", "force": "", "source": ""}
            what = [{"subject": "condition", "reason": reason, **empty}]
        else:
            what = [
                {
                    "subject": "look at the unit" if unit else "battery, spare",
                    "last_good_day": str(good or day(-3)),
                    "reason": "last done 2026-10-11",
                    "rule": LOOK["title"],
                    "force": LOOK["force"],
                    "source": LOOK["source"],
                }
            ]
        values = {
            "cause": f"{'u' if unit else 's'}{unit_id or site_id}/{kind}",
            "unit_id": unit_id,
            "site_id": site_id,
            "kind": kind,
            "severity": "urgent" if kind == "not-to-be-relied-on" else "soon",
            "state": "open",
            "what": json.dumps(what),
            "opened_on": TODAY,
            "opened_at": self.program.clock(),
            "found_at_import": imported,
        }
        return self._one(cases, **{**values, **more})

    def spare(self, kind: str, good: date, *, unit: str = "", site: str = "") -> None:
        where = {"unit_id": self.units[unit]} if unit else {"site_id": self.sites[site]}
        self._one(parts, kind=kind, state="spare", last_good_day=good, label_date=str(good), **where)

    def round_done(self, zone: str = LONDON, hours_ago: float = 7, findings: Iterable[dict[str, str]] = ()) -> None:
        finished = self.program.clock() - timedelta(hours=hours_ago)
        values = {"on": TODAY, "state": "done", "started_at": finished, "finished_at": finished}
        self._one(ledger, zone=zone, findings=json.dumps(list(findings)), **values)

    def move(self, unit: str, key: str, old: dict[str, Any], new: dict[str, Any], subject: str = "") -> None:
        with self.program.store.read() as conn:
            unit_id, site_id = conn.execute(select(units.c.id, units.c.site_id).where(units.c.unit == unit)).one()
        texts = {"old": json.dumps(old), "new": json.dumps(new)}
        at = self.program.clock()
        self._one(moves, at=at, on=TODAY, unit_id=unit_id, site_id=site_id, key=key, subject=subject or key, **texts)

    def mail(self, kind: str | None = None) -> list[Mail]:
        """The letters in the letter box, oldest first."""
        with self.program.store.read() as conn:
            return [_mail(row) for row in _letters(conn) if kind in (None, row.kind)]

    def all_sent(self) -> None:
        """Every letter has gone out."""
        now = self.program.clock()
        with self.program.store.write() as conn:
            conn.execute(update(messages).where(messages.c.state == "waiting").values(state="sent", sent_at=now))

    def told(self) -> set[tuple[str, int, str]]:
        """Person, case and step (lap.rung.turn) of every telling."""
        step = select(
            people.c.person,
            tellings.c.case_id,
            tellings.c.lap.cast(String) + "." + tellings.c.rung.cast(String) + "." + tellings.c.turn.cast(String),
        )
        query = step.join(people, people.c.id == tellings.c.person_id)
        with self.program.store.read() as conn:
            return {tuple(row) for row in conn.execute(query)}  # type: ignore[misc]


_CHECKS = {"look": "look at the unit", "test": "test the unit", "restore": "restore the unit after use"}


def _letters(conn: Connection) -> list[Any]:
    return list(conn.execute(select(messages).order_by(messages.c.id)).all())


def _mail(row: Any) -> Mail:
    # Kind, person, civil day and first case; the step that follows in a key has tests of its own.
    key = "/".join(row.key.split("/")[:4]) if row.kind in ("escalation", "opening", "closing") else row.key
    return read(row.body, key, row.kind, row.urgent)


def read(body: bytes, key: str = "", kind: str = "", urgent: bool = False) -> Mail:
    """A letter's bytes as its reader sees them."""
    message = message_from_bytes(body, policy=default)
    assert isinstance(message, EmailMessage)
    found = {}
    for part in ("plain", "html"):
        got = message.get_body((part,))
        assert got is not None
        found[part] = str(got.get_content()).replace("\r\n", "\n")
    to, subject = str(message["To"]), str(message["Subject"])
    return Mail(key, kind, to, subject, found["plain"], found["html"], message, urgent)


def at(hour: int, minute: int = 0, *, days: int = 0) -> datetime:
    """An instant of today, or of another day, in UTC."""
    return datetime(2026, 11, 25, hour, minute, tzinfo=UTC) + timedelta(days=days)


def flat(text: str) -> str:
    """Without line breaks, for sentences that may be folded anywhere."""
    return " ".join(text.split())
