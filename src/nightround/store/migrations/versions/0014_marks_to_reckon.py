"""Marks of what was recorded and is still to be reckoned"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "marks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=16), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_marks")),
    )
    op.create_index(op.f("ix_marks_holder"), "marks", ["holder"])
