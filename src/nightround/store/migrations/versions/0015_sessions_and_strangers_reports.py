"""Who is signed in, which sign-in links were used, and from where strangers' reports of the last hours came"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("mailbox", sa.String(length=16), nullable=False),
        sa.Column("began_at", Instant(timezone=True), nullable=False),
        sa.Column("ends_at", Instant(timezone=True), nullable=False),
        sa.Column("device", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["people.id"], name=op.f("fk_sessions_person_id_people"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("digest", name=op.f("uq_sessions_digest")),
    )
    with op.batch_alter_table("sessions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sessions_person_id"), ["person_id"], unique=False)
    op.create_table(
        "used_links",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("ends_at", Instant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_used_links")),
    )
    op.create_table(
        "strangers_reports",
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("source", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["log.id"], name=op.f("fk_strangers_reports_entry_id_log")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_strangers_reports_unit_id_units")),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_strangers_reports")),
    )
    with op.batch_alter_table("strangers_reports", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_strangers_reports_at"), ["at"], unique=False)
