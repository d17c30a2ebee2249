"""Keeps the sentinel of each feed as it was given last, so that a later one says that it is later"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sentinels",
        sa.Column("feed_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["feed_id"], ["feeds.id"], name=op.f("fk_sentinels_feed_id_feeds")),
        sa.PrimaryKeyConstraint("feed_id", "kind", name=op.f("pk_sentinels")),
    )
