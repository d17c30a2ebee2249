"""Ladders: where each case stands, and who was told of it at which step"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "climbs",
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("lap", sa.Integer(), nullable=False),
        sa.Column("rung", sa.Integer(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("since", Instant(timezone=True), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("why", sa.String(length=8), server_default="", nullable=False),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("closing_told", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_climbs_case_id_cases")),
        sa.PrimaryKeyConstraint("case_id", name=op.f("pk_climbs")),
    )
    op.create_index("ix_climbs_closing_told", "climbs", ["closing_told"])
    op.create_index("ix_messages_created_at", "messages", ["created_at"])

    # The last telling of an open case to a mailbox counts as its first step, so that nobody is told anew only
    # because the program is; all others are kept under lap -1, one turn a civil day. Two people with one mailbox: one.
    op.execute(
        """
        CREATE TABLE tellings_before AS
        SELECT t.case_id, MIN(t.person_id) AS person_id, LOWER(TRIM(m.to_address)) AS mailbox, t.step,
               MAX(t.message_id) AS message_id
        FROM tellings t JOIN messages m ON m.id = t.message_id
        GROUP BY t.case_id, LOWER(TRIM(m.to_address)), t.step
        """
    )
    op.drop_table("tellings")
    op.create_table(
        "tellings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("mailbox", sa.String(length=320), nullable=False),
        sa.Column("lap", sa.Integer(), nullable=False),
        sa.Column("rung", sa.Integer(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_tellings_case_id_cases")),
        sa.ForeignKeyConstraint(["message_id"], ["messages.id"], name=op.f("fk_tellings_message_id_messages")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_tellings_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tellings")),
        sa.UniqueConstraint("case_id", "mailbox", "lap", "rung", "turn", name=op.f("uq_tellings_case_id")),
    )
    op.create_index("ix_tellings_person_id", "tellings", ["person_id"])
    op.create_index("ix_tellings_message_id", "tellings", ["message_id"])
    op.execute(
        """
        INSERT INTO tellings (case_id, person_id, mailbox, lap, rung, turn, message_id)
        SELECT case_id, person_id, mailbox,
               CASE WHEN is_open = 1 AND place = 1 THEN 0 ELSE -1 END,
               0,
               CASE WHEN is_open = 1 AND place = 1 THEN 0 ELSE CAST(REPLACE(step, '-', '') AS INTEGER) END,
               message_id
        FROM (
            SELECT b.*, CASE WHEN c.closed_at IS NULL THEN 1 ELSE 0 END AS is_open,
                   ROW_NUMBER() OVER (PARTITION BY b.case_id, b.mailbox ORDER BY b.message_id DESC) AS place
            FROM tellings_before b JOIN cases c ON c.id = b.case_id
        ) AS ranked
        ORDER BY message_id, case_id
        """
    )
    op.drop_table("tellings_before")
    op.execute(
        """
        INSERT INTO climbs (case_id, lap, rung, turn, since, at, why, severity, closing_told)
        SELECT c.id, 0, 0, 0, MAX(m.created_at), MAX(m.created_at), '', c.severity, false
        FROM cases c JOIN tellings t ON t.case_id = c.id JOIN messages m ON m.id = t.message_id
        WHERE c.closed_at IS NULL
        GROUP BY c.id, c.severity
        """
    )
