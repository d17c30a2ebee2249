"""A small invented fleet for the calendar tests, written straight into the tables, and a calendar to look into."""

from __future__ import annotations

import json
import re
import uuid
from datetime import UTC, date, datetime
from typing import Any

from icalendar import Calendar
from sqlalchemy import func, insert, select, update

from nightround.bootstrap import Program
from nightround.calendars import feed as feeds
from nightround.calendars import keys
from nightround.calendars.reading import EVENTS, Due
from nightround.store.database import raise_version
from nightround.store.tables import conditions, duties, ledger, moves, people, person_sites, sites, units

ROUND = datetime(2026, 11, 25, 2, 3, 4, tzinfo=UTC)
ZONE = "Europe/Paris"


def because(title: str = "Monthly look", good: str | None = "2026-12-01", **more: Any) -> dict[str, Any]:
    return {
        "rule": "house-look",
        "title": title,
        "force": "common practice",
        "source": "common practice",
        "verified_on": "2026-11-25",
        "last_good_day": good,
        "evidence": "last done 2026-11-01",
    } | more


class Fleet:
    """Writes rows. Every duty gets a UID of its own that does not depend on the run."""

    def __init__(self, program: Program) -> None:
        self.program = program

    def site(self, site: str = "MILL", **more: Any) -> int:
        row = {"site": site, "name": f"{site.title()} Lane", "address": "1 Example Street", "time_zone": ZONE} | more
        return self._insert(sites, row)

    def unit(self, site_id: int, unit: str = "MILL-03", **more: Any) -> int:
        row = {"unit": unit, "site_id": site_id, "spot": "reception", "label": uuid.uuid4().hex[:22]} | more
        return self._insert(units, row)

    def duty(
        self, unit_id: int | None, site_id: int, key: str = "look", good: str | None = "2026-12-01", **more: Any
    ) -> int:
        holder = f"u{unit_id}" if unit_id is not None else f"s{site_id}"
        row = {
            "holder": holder,
            "unit_id": unit_id,
            "site_id": site_id,
            "key": key,
            "kind": key.partition("/")[0],
            "subject": "look at the unit" if key == "look" else key,
            "standing": "ahead" if good else "not recorded",
            "opens": date(2026, 11, 22) if good else None,
            "last_good_day": date.fromisoformat(good) if good else None,
            "role": "site-contact",
            "because": json.dumps([because(good=good)], ensure_ascii=False),
            "period": "",
            "uid": str(uuid.uuid5(uuid.NAMESPACE_URL, f"{holder}|{key}")),
            "changed_at": ROUND,
        } | more
        made = self._insert(duties, row)
        self.changed()
        return made

    def condition(self, unit_id: int, condition: str) -> None:
        on = date(2026, 11, 25)
        row = {"unit_id": unit_id, "condition": condition, "reasons": "[]", "since": on, "reckoned_on": on}
        with self.program.store.write() as conn:
            conn.execute(insert(conditions).values(row))
            raise_version(conn)

    def round(self, on: str, zone: str = ZONE, at: datetime = ROUND, state: str = "done") -> None:
        row = {"zone": zone, "on": date.fromisoformat(on), "state": state, "started_at": at, "finished_at": at}
        with self.program.store.write() as conn:
            conn.execute(insert(ledger).values(row))
            raise_version(conn)

    def move(self, site_id: int, at: datetime) -> None:
        row = {
            "at": at,
            "on": at.date(),
            "site_id": site_id,
            "key": "look",
            "subject": "look",
            "old": "{}",
            "new": "{}",
        }
        with self.program.store.write() as conn:
            conn.execute(insert(moves).values(row))
            raise_version(conn)

    def person(self, person: str = "P7", site_ids: tuple[int, ...] = (), **more: Any) -> int:
        made = self._insert(people, {"person": person, "name": "Ada Keller"} | more)
        with self.program.store.write() as conn:
            for site_id in site_ids:
                conn.execute(insert(person_sites).values(person_id=made, site_id=site_id))
        return made

    def change(self, duty_id: int, **values: Any) -> None:
        """What a round does to a duty that it finds different."""
        values.setdefault("revision", duties.c.revision + 1)
        with self.program.store.write() as conn:
            conn.execute(update(duties).where(duties.c.id == duty_id).values(values))
            raise_version(conn)

    def edit(self, table: Any, row_id: int, **values: Any) -> None:
        """What an import does to a site or unit that it finds different."""
        with self.program.store.write() as conn:
            conn.execute(update(table).where(table.c.id == row_id).values(values))
            raise_version(conn)

    def changed(self) -> None:
        with self.program.store.write() as conn:
            raise_version(conn)

    def count(self, table: Any) -> int:
        with self.program.store.read() as conn:
            return int(conn.execute(select(func.count()).select_from(table)).scalar_one())

    def feed(self, **of: Any) -> tuple[keys.Feed, str]:
        with self.program.store.write() as conn:
            return keys.add(conn, self.program.clock(), **of)

    def _insert(self, table: Any, row: dict[str, Any]) -> int:
        with self.program.store.write() as conn:
            return int(conn.execute(insert(table).values(row).returning(table.c.id)).scalar_one())


def built(program: Program, feed: keys.Feed, kind: str = EVENTS) -> bytes:
    return feeds.build(program, feed, kind).body


def parsed(body: bytes) -> Calendar:
    return Calendar.from_ical(body)


def components(body: bytes) -> list[Any]:
    """Every event or task but the sentinel."""
    return [item for item in parsed(body).subcomponents if not _is_sentinel(item)]


def sentinel(body: bytes) -> Any:
    (found,) = [item for item in parsed(body).subcomponents if _is_sentinel(item)]
    return found


def without_stamps(body: bytes) -> bytes:
    """What a feed or component says besides its own age: lines unfolded, without stamps and the day of the change."""
    text = re.sub(rb"(?m)^(DTSTAMP|LAST-MODIFIED|SEQUENCE):.*\r\n", b"", body.replace(b"\r\n ", b""))
    return re.sub(rb"As of \d{4}-\d\d-\d\d\\,", b"As of", text)


def _is_sentinel(item: Any) -> bool:
    return "categories" in item and item["categories"].to_ical() == b"nightly round"


def due(**more: Any) -> Due:
    """A duty as the renderer gets it."""
    values: dict[str, Any] = {
        "id": 1,
        "key": "look",
        "kind": "look",
        "subject": "look at the unit",
        "standing": "ahead",
        "opens": date(2026, 11, 22),
        "order_by": None,
        "last_good_day": date(2026, 12, 1),
        "deadline": None,
        "role": "site-contact",
        "because": json.dumps([because()]),
        "uid": "4b1c2f4e-0000-5000-8000-000000000002",
        "sequence": 0,
        "changed_at": ROUND,
        "unit": "MILL-03",
        "spot": "reception",
        "floor": "",
        "latitude": None,
        "longitude": None,
        "site": "MILL",
        "site_name": "Mill Lane",
        "address": "1 Example Street",
        "zone": ZONE,
    }
    return Due(**(values | more))
