"""A database of the first release with open cases goes forward: each goes on under the cause it has now."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import select, text

from nightround.store import schema
from nightround.store.database import Store
from nightround.store.tables import case_events, cases, duties, tellings

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
REASONS = [
    ("not-to-be-relied-on", "condition", "fault since 2026-11-20: beeps"),
    ("not-to-be-relied-on", "condition", "used 2026-11-24, not restored"),
    ("not-to-be-relied-on", "condition", "notice FSN-7 says stop using: Capacitor"),
    ("not-to-be-relied-on", "condition", "fitted battery past its label date, good to 2026-11-10"),
    ("overdue", "look", "fault since never"),
    ("not-to-be-relied-on", "condition", "fault since 2026-11-20"),  # closed already
]


@pytest.fixture
def first_release(first_schema: Store) -> Store:
    with first_schema.write() as conn:
        conn.execute(text("INSERT INTO sites (id, site, time_zone) VALUES (1, 'MILL', 'Europe/London')"))
        conn.execute(text("INSERT INTO people (id, person) VALUES (1, 'P1')"))
        at = "2026-11-20 08:00:00"
        for number, (kind, subject, reason) in enumerate(REASONS, 1):
            values = {"id": number, "kind": kind, "cause": f"u{number}/{kind}", "at": at}
            values["what"] = json.dumps([{"subject": subject, "last_good_day": None, "reason": reason}])
            values["closed"] = "2026-11-21 08:00:00" if number == len(REASONS) else None
            conn.execute(
                text(f"INSERT INTO units (id, unit, site_id, label) VALUES ({number}, 'U{number}', 1, 'l{number}')")
            )
            conn.execute(
                text(
                    "INSERT INTO cases (id, cause, unit_id, site_id, kind, severity, state, what, opened_on, opened_at,"
                    " found_at_import, closed_at) VALUES (:id, :cause, :id, 1, :kind, 'urgent', 'open', :what,"
                    " '2026-11-20', :at, false, :closed)"
                ),
                values,
            )
        conn.execute(
            text(
                "INSERT INTO messages (id, key, kind, person_id, to_address, subject, message_id, body, urgent,"
                " created_at, state, next_try_at)"
                " VALUES (1, 'k', 'escalation', 1, 'a@example.org', 's', '<1@x>', :body,"
                " true, :at, 'sent', :at)"
            ),
            {"at": at, "body": b""},
        )
        conn.execute(text("INSERT INTO tellings (case_id, person_id, step, message_id) VALUES (1, 1, '2026-11-20', 1)"))
        for number, standing in ((1, "not recorded"), (2, "ahead")):
            conn.execute(
                text(
                    "INSERT INTO duties (id, holder, unit_id, site_id, key, kind, subject, standing, role, because,"
                    f" period, uid, changed_at) VALUES ({number}, 'u{number}', {number}, 1, 'look', 'look', 'look',"
                    f" '{standing}', '', '[]', '', '{number}', :at)"
                ),
                {"at": at},
            )
    return first_schema


def test_cases_go_on_under_their_present_cause_with_their_history(first_release: Store) -> None:
    schema.migrate(first_release, NOW)
    with first_release.read() as conn:
        assert [(row.cause, row.kind) for row in conn.execute(select(cases).order_by(cases.c.id))] == [
            ("u1/fault", "fault"),
            ("u2/used", "used"),
            ("u3/notice/FSN-7", "notice"),
            ("u4/not-to-be-relied-on", "not-to-be-relied-on"),
            ("u5/overdue", "overdue"),
            ("u6/not-to-be-relied-on", "not-to-be-relied-on"),
        ]
        events = [
            (row.case_id, row.what, row.said)
            for row in conn.execute(select(case_events).order_by(case_events.c.case_id, case_events.c.id))
        ]
        assert events == [
            (1, "opened", ""),
            (1, "told", "P1"),
            *((number, "opened", "") for number in range(2, 7)),
            (6, "closed", ""),
        ]
        assert conn.execute(select(tellings.c.case_id)).scalars().all() == [1]
        assert conn.execute(select(duties.c.not_recorded_since).order_by(duties.c.id)).scalars().all() == [
            date(2026, 11, 20),
            None,
        ]
        row = conn.execute(select(cases)).first()
        assert row is not None
        assert (row.shared, row.group_id, row.paused, row.stale, row.zone) == ("", None, "", False, "")
