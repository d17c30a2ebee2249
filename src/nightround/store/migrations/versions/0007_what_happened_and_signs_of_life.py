"""What happened to the service, its signs of life, and since when a letter cannot be sent"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "happenings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("before", Instant(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_happenings")),
    )
    with op.batch_alter_table("happenings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_happenings_at"), ["at"], unique=False)

    op.create_table(
        "beats",
        sa.Column("name", sa.String(length=24), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.Column("turns", sa.Integer(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_beats")),
    )
    # Adding a column that may be empty rewrites no row; letters already waiting get theirs at their next failure.
    op.add_column("messages", sa.Column("failing_since", Instant(timezone=True), nullable=True))
