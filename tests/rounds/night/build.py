"""A small fleet written straight into the tables, and a rule book of house rules."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection, insert, select

from nightround.reckoning.rules import Rule
from nightround.rounds.rulebook import RuleBook
from nightround.store.database import Store
from nightround.store.tables import evidence, parts, sites, units
from tests.reckoning.core.build import HOUSE

BOOK = RuleBook(rules=tuple(HOUSE), sheets={}, digest="test")
TODAY = date(2026, 11, 25)


def book(*rules: Rule) -> RuleBook:
    return RuleBook(rules=tuple(rules), sheets={}, digest="test")


def add_site(conn: Connection, code: str, zone: str = "Europe/Berlin", country: str = "", **more: Any) -> int:
    return int(
        conn.execute(
            insert(sites)
            .values(site=code, name=f"Site {code}", time_zone=zone, country=country, **more)
            .returning(sites.c.id)
        ).scalar_one()
    )


def add_unit(
    conn: Connection,
    code: str,
    site_id: int,
    *,
    looked_on: date | None = TODAY - timedelta(days=5),
    pads: date | None = TODAY + timedelta(days=700),
    battery: date | None = TODAY + timedelta(days=1500),
    **more: Any,
) -> int:
    values = {"unit": code, "site_id": site_id, "label": f"label-{code}", "in_service_on": date(2025, 1, 1)} | more
    unit_id = int(conn.execute(insert(units).values(**values).returning(units.c.id)).scalar_one())
    for kind, good in (("pads-adult", pads), ("battery", battery)):
        conn.execute(
            insert(parts).values(
                unit_id=unit_id, kind=kind, state="fitted", last_good_day=good, label_date=str(good or "")
            )
        )
    if looked_on is not None:
        conn.execute(insert(evidence).values(unit_id=unit_id, looked_on=looked_on))
    return unit_id


def small_fleet(store: Store, zone: str = "Europe/Berlin") -> list[int]:
    """One unit in order, one with expired pads, one not looked at for two months, one of which nothing is known."""
    with store.write() as conn:
        site = add_site(conn, "MILL", zone)
        return [
            add_unit(conn, "MILL-01", site),
            add_unit(conn, "MILL-02", site, pads=TODAY - timedelta(days=1)),
            add_unit(conn, "MILL-03", site, looked_on=TODAY - timedelta(days=40)),
            add_unit(conn, "MILL-04", site, looked_on=None, pads=None, battery=None, in_service_on=None),
        ]


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """What rounds wrote, for comparison: without row numbers of the ledger and times of running."""
    from nightround.store.tables import cases, conditions, duties, moves

    found = {}
    with store.read() as conn:
        for table in (duties, conditions, moves, cases):
            columns = [column for column in table.c if column.name not in ("id", "changed_at", "at", "opened_at")]
            rows = conn.execute(select(*columns)).all()
            found[table.name] = sorted((tuple(row) for row in rows), key=repr)
    return found
