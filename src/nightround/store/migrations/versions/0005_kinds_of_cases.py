"""Kinds of cases, groups, pauses and history

Cases that stand open go on under the cause that they would be opened for now, so that no round closes and opens a
fleet's worth of them: what began with a fault, a use or a notice is named after it, all others stay as they are.
"""

import json
import re

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_NOTICE = re.compile(r"notice (\S+) says stop using: ")


def upgrade() -> None:
    conn = op.get_bind()
    # SQLite changes a column by writing the table anew, and what refers to its rows must be out of the way meanwhile.
    aside = _referring(conn) if conn.dialect.name == "sqlite" else []
    for table in aside:
        op.execute(f"CREATE TEMPORARY TABLE {table}_aside AS SELECT * FROM {table}")
        op.execute(f"DELETE FROM {table}")
    op.drop_index("uq_cases_open_cause", table_name="cases")
    with op.batch_alter_table("cases") as batch:
        batch.alter_column("site_id", existing_type=sa.Integer(), nullable=True)
        batch.add_column(sa.Column("person_id", sa.Integer(), nullable=True))
        batch.add_column(sa.Column("zone", sa.String(length=64), server_default="", nullable=False))
        batch.add_column(sa.Column("shared", sa.String(length=64), server_default="", nullable=False))
        batch.add_column(sa.Column("group_id", sa.Integer(), nullable=True))
        batch.add_column(sa.Column("stale", sa.Boolean(), server_default=sa.text("false"), nullable=False))
        batch.add_column(sa.Column("paused", sa.String(length=12), server_default="", nullable=False))
        batch.add_column(sa.Column("paused_until", sa.Date(), nullable=True))
        batch.create_foreign_key(op.f("fk_cases_person_id_people"), "people", ["person_id"], ["id"])
        batch.create_foreign_key(
            op.f("fk_cases_group_id_cases"), "cases", ["group_id"], ["id"], deferrable=True, initially="DEFERRED"
        )
    op.create_index(op.f("ix_cases_person_id"), "cases", ["person_id"])
    op.create_index(op.f("ix_cases_group_id"), "cases", ["group_id"])
    op.create_index(
        "uq_cases_open_cause",
        "cases",
        ["cause"],
        unique=True,
        sqlite_where=sa.text("closed_at IS NULL"),
        postgresql_where=sa.text("closed_at IS NULL"),
    )
    for table in aside:
        op.execute(f"INSERT INTO {table} SELECT * FROM {table}_aside")
        op.execute(f"DROP TABLE {table}_aside")
    with op.batch_alter_table("duties") as batch:
        batch.add_column(sa.Column("not_recorded_since", sa.Date(), nullable=True))
    op.create_table(
        "case_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("what", sa.String(length=16), nullable=False),
        sa.Column("by", sa.String(length=64), server_default="", nullable=False),
        sa.Column("said", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_case_events_case_id_cases")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_events")),
    )
    op.create_index(op.f("ix_case_events_case_id"), "case_events", ["case_id"])
    _since(conn)
    _causes(conn)
    _events(conn)


def _referring(conn: sa.Connection) -> list[str]:
    """The tables whose rows name a case."""
    look = sa.inspect(conn)
    tables = sorted(look.get_table_names())
    return [table for table in tables if any(key["referred_table"] == "cases" for key in look.get_foreign_keys(table))]


def _since(conn: sa.Connection) -> None:
    """Duties without a date have stood so at least since their row last changed."""
    day = "date(changed_at)" if conn.dialect.name == "sqlite" else "CAST(changed_at AT TIME ZONE 'UTC' AS date)"
    conn.execute(sa.text(f"UPDATE duties SET not_recorded_since = {day} WHERE standing = 'not recorded'"))


def _causes(conn: sa.Connection) -> None:
    cases = sa.table("cases", *(sa.column(name) for name in ("id", "cause", "unit_id", "kind", "what", "closed_at")))
    query = sa.select(cases.c.id, cases.c.unit_id, cases.c.what).where(
        cases.c.kind == "not-to-be-relied-on", cases.c.unit_id.is_not(None), cases.c.closed_at.is_(None)
    )
    for case_id, unit_id, what in conn.execute(query).all():
        first = json.loads(what)[0]
        reason = first["reason"] if first["subject"] == "condition" else ""
        notice = _NOTICE.match(reason)
        if reason.startswith("fault since "):
            kind, tail = "fault", "fault"
        elif reason.startswith("used ") and reason.endswith(", not restored"):
            kind, tail = "used", "used"
        elif notice:
            kind, tail = "notice", f"notice/{notice[1]}"
        else:
            continue
        conn.execute(sa.update(cases).where(cases.c.id == case_id).values(kind=kind, cause=f"u{unit_id}/{tail}"))


def _events(conn: sa.Connection) -> None:
    """The history of earlier cases, as far as it was kept."""
    for what, at in (("opened", "opened_at"), ("closed", "closed_at")):
        conn.execute(
            sa.text(
                f"INSERT INTO case_events (case_id, at, what) SELECT id, {at}, '{what}' FROM cases"
                f" WHERE {at} IS NOT NULL ORDER BY {at}, id"
            )
        )
    conn.execute(
        sa.text(
            "INSERT INTO case_events (case_id, at, what, said)"
            " SELECT t.case_id, m.created_at, 'told', p.person FROM tellings t JOIN messages m ON m.id = t.message_id"
            " JOIN people p ON p.id = t.person_id ORDER BY m.created_at, t.case_id, p.person"
        )
    )
