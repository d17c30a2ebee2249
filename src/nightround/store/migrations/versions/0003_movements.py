"""Where units stand and who was told of it; loan units"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("evidence") as batch:
        batch.add_column(sa.Column("placing", sa.Text(), server_default="", nullable=False))
    op.create_table(
        "loans",
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("covers_id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.Column("over", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_loans_unit_id_units")),
        sa.ForeignKeyConstraint(["covers_id"], ["units.id"], name=op.f("fk_loans_covers_id_units")),
        sa.PrimaryKeyConstraint("unit_id", "covers_id", name=op.f("pk_loans")),
    )
    with op.batch_alter_table("loans") as batch:
        batch.create_index(batch.f("ix_loans_covers_id"), ["covers_id"], unique=False)
