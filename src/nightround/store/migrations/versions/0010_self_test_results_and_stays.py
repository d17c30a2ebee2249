"""Self-test results that a unit sends by itself; where a moved unit stood before, as far as rules may differ there"""

import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


_EVIDENCE = sa.table("evidence", sa.column("unit_id", sa.Integer), sa.column("placing", sa.Text))


def upgrade() -> None:
    with op.batch_alter_table("evidence") as batch:
        batch.add_column(sa.Column("sent_on", sa.Date(), nullable=True))
    conn = op.get_bind()
    log = sa.table(
        "log",
        sa.column("id", sa.Integer),
        sa.column("unit_id", sa.Integer),
        sa.column("at", Instant),
        sa.column("entry", sa.String),
        sa.column("readings", sa.Text),
        sa.column("strikes", sa.Integer),
    )
    struck = sa.select(log.c.strikes).where(log.c.strikes.is_not(None))
    moves = sa.select(log.c.unit_id, log.c.at, log.c.readings).where(log.c.entry == "moved", log.c.id.not_in(struck))
    by_unit: dict[int, list[tuple[datetime, str, str]]] = {}
    for unit_id, at, text in conn.execute(moves.order_by(log.c.unit_id, log.c.at, log.c.id)):
        readings = json.loads(text)
        if readings.get("site", readings.get("from")) != readings.get("from"):
            by_unit.setdefault(unit_id, []).append((at, readings["from"], readings["site"]))
    for unit_id, its in by_unit.items():
        _keep(conn, unit_id, its)


def _keep(conn: sa.Connection, unit_id: int, moves: list[tuple[datetime, str, str]]) -> None:
    """Adds the stays to what is kept of the unit's placing, as the program writes them from then on."""
    here = conn.execute(
        sa.text(
            'SELECT s.time_zone, s.country, s.subdivision, s.site_type, e."placing" FROM units u '
            "JOIN sites s ON s.id = u.site_id JOIN evidence e ON e.unit_id = u.id WHERE u.id = :unit_id"
        ),
        {"unit_id": unit_id},
    ).first()
    if here is None:
        return
    present = tuple(here[:4])
    found: list[tuple[Any, tuple[str, ...]]] = [(None, _place(conn, moves[0][1], present)[1:])]
    for number, (at, _, to) in enumerate(moves, 1):
        zone, *place = present if number == len(moves) else _place(conn, to, present)
        day = at.replace(tzinfo=at.tzinfo or UTC).astimezone(ZoneInfo(zone)).date()
        if tuple(place) != found[-1][1]:
            found.append((day.isoformat(), tuple(place)))
    if len(found) > 1:
        kept = json.loads(here.placing) if here.placing else [[], [], None, None]
        stays = [[since, ["", *place]] for since, place in found]
        conn.execute(
            sa.update(_EVIDENCE).where(_EVIDENCE.c.unit_id == unit_id),
            {"placing": json.dumps([*kept[:4], stays], ensure_ascii=False)},
        )


def _place(conn: sa.Connection, code: str, present: tuple[str, ...]) -> tuple[str, ...]:
    query = sa.text("SELECT time_zone, country, subdivision, site_type FROM sites WHERE site = :code")
    row = conn.execute(query, {"code": code}).first()
    return present if row is None else tuple(row)
