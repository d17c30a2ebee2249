"""Finds what was told of a case in the lap that it is in, without reading all that was ever told of it"""

from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    columns = ["case_id", "lap", "mailbox", "rung", "turn"]
    op.create_index("ix_tellings_case_id_lap", "tellings", columns, unique=False)
