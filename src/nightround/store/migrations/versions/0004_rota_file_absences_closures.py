"""The rota's calendar file, absences of people, closures of sites"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0004"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "rota_files",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("read_at", Instant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rota_files")),
    )
    op.create_table(
        "absences",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("from_on", sa.Date(), nullable=False),
        sa.Column("until_on", sa.Date(), nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_absences_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_absences")),
        sa.UniqueConstraint("person_id", "from_on", name=op.f("uq_absences_person_id")),
    )
    op.create_table(
        "closures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("from_on", sa.Date(), nullable=False),
        sa.Column("until_on", sa.Date(), nullable=True),
        sa.Column("every_year", sa.Boolean(), server_default=sa.text("(false)"), nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_closures_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_closures")),
        sa.UniqueConstraint("site_id", "from_on", name=op.f("uq_closures_site_id")),
    )
