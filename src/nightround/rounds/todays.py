"""What is wrong today, worst first: the facts behind the `today` command."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, func, select

from ..reckoning.owed import Condition, Standing
from ..reckoning.staffing import CONTACT, RESPONDERS
from ..store.tables import cases, conditions, duties, ledger, messages, sites, units
from . import troubles
from .asking import Wanted, in_use, stored_duties
from .loading import zones
from .recent import Recent, recent

SHOWN = 12
LATE = troubles.LATE


def today(conn: Connection, now: datetime, shown: int = SHOWN) -> dict[str, Any]:
    """The fleet as the last rounds left it, with the age of each zone's last round and what waits in the letter box."""
    # A withdrawn unit is counted among the units, and does not nag for its look.
    standings = _counts(conn, duties.c.standing, in_use())
    day = now.astimezone(UTC).date()  # who is responsible; a few hours either way are no matter here
    states = _counts(conn, conditions.c.condition)
    total = conn.execute(select(func.count()).select_from(units)).scalar_one()
    # Of a unit that no round has reckoned yet there is no evidence: every unit is counted, and once.
    states[str(Condition.NO_EVIDENCE)] = states.get(str(Condition.NO_EVIDENCE), 0) + total - sum(states.values())
    letters = _counts(conn, messages.c.state)
    return {
        "rounds": [_round(zone, kept, now) for zone, kept in recent(conn, zones(conn), now).items()],
        "units": total,
        "conditions": {str(condition): states.get(str(condition), 0) for condition in Condition},
        "standings": {str(standing): standings.get(str(standing), 0) for standing in Standing},
        "not_to_be_relied_on": _units_in(conn, Condition.NOT_TO_BE_RELIED_ON, shown),
        "no_evidence": _units_in(conn, Condition.NO_EVIDENCE, shown),
        "overdue": stored_duties(conn, Wanted(standing=Standing.OVERDUE, in_use=True, today=day), shown),
        "order_now": stored_duties(conn, Wanted(standing=Standing.ORDER_NOW, in_use=True, today=day), shown),
        "open": stored_duties(conn, Wanted(standing=Standing.OPEN, in_use=True, today=day), shown),
        "without_contact": _overdue_sites(conn, CONTACT),
        "short_of_responders": _overdue_sites(conn, RESPONDERS),
        "cases": {
            "open": _count(conn, cases.c.state == "open"),
            "taken": _count(conn, cases.c.state == "taken"),
        },
        "letters": {state: letters.get(state, 0) for state in ("waiting", "sending", "sent", "given up")},
        "set_aside": _set_aside(conn),
    }


def _counts(conn: Connection, column: Column[str], clause: ColumnElement[bool] | None = None) -> dict[str, int]:
    query = select(column, func.count()).group_by(column)
    return dict(conn.execute(query if clause is None else query.where(clause)).all())


def _count(conn: Connection, clause: Any) -> int:
    # A group stands for its members.
    query = select(func.count()).select_from(cases).where(clause, cases.c.group_id.is_(None))
    return int(conn.execute(query).scalar_one())


def _round(zone: str, kept: Recent, now: datetime) -> dict[str, Any]:
    old, last = kept.age(now), kept.last
    return {
        "zone": zone,
        "hours_ago": None if old is None else round(old.total_seconds() / 3600, 1),
        "late": old is None or old > LATE,
        "on": None if last is None else last.on,
        "other_day": troubles.other_day(kept, zone, now) is not None,
    }


def _overdue_sites(conn: Connection, kind: str) -> list[str]:
    """Codes of the sites where the duty of that kind is overdue."""
    query = select(sites.c.site).join(duties, duties.c.site_id == sites.c.id).order_by(sites.c.site)
    overdue = (duties.c.kind == kind, duties.c.standing == str(Standing.OVERDUE), duties.c.unit_id.is_(None))
    return list(conn.execute(query.where(*overdue)).scalars())


def _units_in(conn: Connection, condition: Condition, shown: int) -> list[dict[str, Any]]:
    query = (
        select(units.c.unit, sites.c.site, sites.c.name, units.c.spot, conditions.c.since, conditions.c.reasons)
        .join(units, units.c.id == conditions.c.unit_id)
        .join(sites, sites.c.id == units.c.site_id)
        .where(conditions.c.condition == str(condition))
        .order_by(conditions.c.since, units.c.unit)
        .limit(shown)
    )
    return [
        {
            "unit": row.unit,
            "site": row.site,
            "site_name": row.name,
            "spot": row.spot,
            "since": row.since,
            "reasons": json.loads(row.reasons),
        }
        for row in conn.execute(query)
    ]


def _set_aside(conn: Connection) -> list[dict[str, str]]:
    """Units that the newest round of each zone could not reckon, and why."""
    newest = select(func.max(ledger.c.id)).where(ledger.c.state == "done").group_by(ledger.c.zone)
    query = select(ledger.c.findings).where(ledger.c.id.in_(newest), ledger.c.findings != "[]")
    return [finding for text in conn.execute(query).scalars() for finding in json.loads(text)]
