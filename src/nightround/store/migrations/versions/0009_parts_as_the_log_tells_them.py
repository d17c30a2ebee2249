"""Which parts the log fitted and how the register's files tell of the others; what the log says of pads by kind"""

import json
from datetime import UTC, timedelta

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_KEPT = ("id", "unit_id", "kind", "state", "lot", "label_date", "fitted_by", "declared")
parts = sa.table("parts", *map(sa.column, _KEPT), sa.column("fitted_on", sa.Date()))
log = sa.table("log", *map(sa.column, ("id", "unit_id", "entry", "part", "strikes")), sa.column("at", Instant()))


def upgrade() -> None:
    with op.batch_alter_table("parts") as batch:
        batch.add_column(sa.Column("fitted_by", sa.Integer(), nullable=True))
        batch.add_column(sa.Column("declared", sa.Text(), server_default="", nullable=False))
    with op.batch_alter_table("evidence") as batch:
        batch.add_column(sa.Column("pads", sa.Text(), server_default="[]", nullable=False))
    # 0: the program reads the whole log anew when it opens the database.
    with op.batch_alter_table("fleet") as batch:
        batch.add_column(sa.Column("log_read_as", sa.Integer(), server_default="0", nullable=False))
    _void()


def _void() -> None:
    """Takes off what struck entries had left fitted, unless an entry that stands tells of the same part."""
    conn = op.get_bind()
    struck = set(conn.execute(sa.select(log.c.strikes).where(log.c.strikes.is_not(None))).scalars())
    if not struck:
        return
    told: dict[bool, set[tuple[int, str, str, str, object]]] = {True: set(), False: set()}
    by: dict[tuple[int, str, str, str, object], int] = {}
    for row in conn.execute(sa.select(log).where(log.c.entry == "fitted")):
        part = json.loads(row.part)
        for days in (-1, 0, 1):  # the day of the entry in any zone
            day = (row.at.astimezone(UTC) + timedelta(days=days)).date()
            key = (row.unit_id, part.get("kind", ""), part.get("lot", ""), part.get("label_date", ""), day)
            told[row.id in struck].add(key)
            by.setdefault(key, row.id)
    suspect = told[True] - told[False]
    for row in conn.execute(sa.select(parts).where(parts.c.state == "fitted", parts.c.fitted_on.is_not(None))).all():
        lots, labels = {row.lot, ""}, {row.label_date, ""}
        for key in ((row.unit_id, row.kind, lot, label, row.fitted_on) for lot in lots for label in labels):
            if key in suspect:
                conn.execute(
                    parts.update().where(parts.c.id == row.id).values(state="void", fitted_by=by[key], declared="-")
                )
                break
