"""Keeps which limit of an hour a letter counts against, and in which lap a case last began for a reason of its own"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("messages") as table:
        table.add_column(sa.Column("counts_as", sa.String(12), nullable=False, server_default=""))
    with op.batch_alter_table("climbs") as table:
        table.add_column(sa.Column("fresh", sa.Integer, nullable=False, server_default="0"))
    # Of laps before the present one nothing says why they began.
    op.execute("UPDATE climbs SET fresh = lap WHERE why <> 'again'")
