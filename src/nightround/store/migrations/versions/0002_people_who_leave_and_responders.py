"""People who leave, and how many responders a site is to have"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("people") as people:
        people.add_column(sa.Column("left_on", sa.Date(), nullable=True))
    with op.batch_alter_table("sites") as sites:
        sites.add_column(sa.Column("responders", sa.Integer(), nullable=True))
