"""The first schema"""

import sqlalchemy as sa
from alembic import op

from nightround.store.types import Instant

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "fleet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("namespace", sa.String(length=36), nullable=False),
        sa.Column("created_at", Instant(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), server_default="1", nullable=False),
        sa.Column("log_count", sa.Integer(), server_default="0", nullable=False),
        sa.Column("log_head", sa.String(length=64), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fleet")),
    )
    op.create_table(
        "ledger",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("holder", sa.String(length=64), server_default="", nullable=False),
        sa.Column("lease_until", Instant(timezone=True), nullable=True),
        sa.Column("started_at", Instant(timezone=True), nullable=False),
        sa.Column("finished_at", Instant(timezone=True), nullable=True),
        sa.Column("units", sa.Integer(), server_default="0", nullable=False),
        sa.Column("duties", sa.Integer(), server_default="0", nullable=False),
        sa.Column("moves", sa.Integer(), server_default="0", nullable=False),
        sa.Column("cases_opened", sa.Integer(), server_default="0", nullable=False),
        sa.Column("cases_closed", sa.Integer(), server_default="0", nullable=False),
        sa.Column("findings", sa.Text(), server_default="[]", nullable=False),
        sa.Column("seconds", sa.Float(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ledger")),
        sa.UniqueConstraint("zone", "on", name=op.f("uq_ledger_zone")),
    )
    op.create_table(
        "notices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("added_at", Instant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
        sa.UniqueConstraint("reference", "version", name=op.f("uq_notices_reference")),
    )
    op.create_table(
        "people",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("email", sa.String(length=320), server_default="", nullable=False),
        sa.Column("phone", sa.String(length=64), server_default="", nullable=False),
        sa.Column("language", sa.String(length=16), server_default="", nullable=False),
        sa.Column("time_zone", sa.String(length=64), server_default="", nullable=False),
        sa.Column("whole_fleet", sa.Boolean(), server_default=sa.text("(false)"), nullable=False),
        sa.Column("letters_off", sa.Boolean(), server_default=sa.text("(false)"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("person", name=op.f("uq_people_person")),
    )
    op.create_table(
        "sites",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("address", sa.Text(), server_default="", nullable=False),
        sa.Column("latitude", sa.Float(), nullable=True),
        sa.Column("longitude", sa.Float(), nullable=True),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("country", sa.String(length=2), server_default="", nullable=False),
        sa.Column("subdivision", sa.String(length=16), server_default="", nullable=False),
        sa.Column("site_type", sa.String(length=64), server_default="", nullable=False),
        sa.Column("monthly_celsius", sa.Text(), server_default="", nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.Column("source", sa.Text(), server_default="", nullable=False),
        sa.Column("revision", sa.Integer(), server_default="1", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("site", name=op.f("uq_sites_site")),
    )
    with op.batch_alter_table("sites", schema=None) as batch_op:
        batch_op.create_index("ix_sites_time_zone", ["time_zone"], unique=False)

    op.create_table(
        "feeds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key_hash", sa.String(length=64), nullable=False),
        sa.Column("scope", sa.String(length=8), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("created_at", Instant(timezone=True), nullable=False),
        sa.Column("withdrawn_at", Instant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_feeds_person_id_people")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_feeds_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feeds")),
        sa.UniqueConstraint("key_hash", name=op.f("uq_feeds_key_hash")),
    )
    op.create_table(
        "messages",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=160), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("to_address", sa.String(length=320), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("message_id", sa.String(length=255), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("created_at", Instant(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("tries", sa.Integer(), server_default="0", nullable=False),
        sa.Column("next_try_at", Instant(timezone=True), nullable=False),
        sa.Column("holder", sa.String(length=64), server_default="", nullable=False),
        sa.Column("lease_until", Instant(timezone=True), nullable=True),
        sa.Column("sent_at", Instant(timezone=True), nullable=True),
        sa.Column("last_answer", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_messages_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_messages")),
        sa.UniqueConstraint("key", name=op.f("uq_messages_key")),
        sa.UniqueConstraint("message_id", name=op.f("uq_messages_message_id")),
    )
    with op.batch_alter_table("messages", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_messages_person_id"), ["person_id"], unique=False)
        batch_op.create_index("ix_messages_turn", ["state", "urgent", "tries", "next_try_at"], unique=False)

    op.create_table(
        "person_roles",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["people.id"], name=op.f("fk_person_roles_person_id_people"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("person_id", "role", name=op.f("pk_person_roles")),
    )
    op.create_table(
        "person_sites",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["people.id"], name=op.f("fk_person_sites_person_id_people"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_person_sites_site_id_sites"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("person_id", "site_id", name=op.f("pk_person_sites")),
    )
    with op.batch_alter_table("person_sites", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_person_sites_site_id"), ["site_id"], unique=False)

    op.create_table(
        "rota",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("from_at", Instant(timezone=True), nullable=False),
        sa.Column("until_at", Instant(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_rota_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rota")),
        sa.UniqueConstraint("person_id", "from_at", name=op.f("uq_rota_person_id")),
    )
    with op.batch_alter_table("rota", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_rota_person_id"), ["person_id"], unique=False)

    op.create_table(
        "training",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("certificate", sa.Text(), nullable=False),
        sa.Column("issued_on", sa.Date(), nullable=True),
        sa.Column("valid_to", sa.String(length=32), server_default="", nullable=False),
        sa.Column("last_good_day", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_training_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_training")),
        sa.UniqueConstraint("person_id", "certificate", "issued_on", name=op.f("uq_training_person_id")),
    )
    with op.batch_alter_table("training", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_training_person_id"), ["person_id"], unique=False)

    op.create_table(
        "units",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("spot", sa.Text(), server_default="", nullable=False),
        sa.Column("floor", sa.Text(), server_default="", nullable=False),
        sa.Column("model", sa.String(length=128), server_default="", nullable=False),
        sa.Column("serial", sa.String(length=64), server_default="", nullable=False),
        sa.Column("made_on", sa.Date(), nullable=True),
        sa.Column("in_service_on", sa.Date(), nullable=True),
        sa.Column("firmware", sa.String(length=64), server_default="", nullable=False),
        sa.Column("latitude", sa.Float(), nullable=True),
        sa.Column("longitude", sa.Float(), nullable=True),
        sa.Column("cabinet", sa.Text(), server_default="", nullable=False),
        sa.Column("registered_with", sa.Text(), server_default="", nullable=False),
        sa.Column("registered_on", sa.Date(), nullable=True),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.Column("source", sa.Text(), server_default="", nullable=False),
        sa.Column("label", sa.String(length=22), nullable=False),
        sa.Column("revision", sa.Integer(), server_default="1", nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_units_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sa.UniqueConstraint("label", name=op.f("uq_units_label")),
        sa.UniqueConstraint("unit", name=op.f("uq_units_unit")),
    )
    with op.batch_alter_table("units", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_units_site_id"), ["site_id"], unique=False)

    op.create_table(
        "cases",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(length=80), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("opened_on", sa.Date(), nullable=False),
        sa.Column("opened_at", Instant(timezone=True), nullable=False),
        sa.Column("found_at_import", sa.Boolean(), nullable=False),
        sa.Column("taken_by", sa.String(length=64), server_default="", nullable=False),
        sa.Column("taken_until", Instant(timezone=True), nullable=True),
        sa.Column("closed_at", Instant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_cases_site_id_sites")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_cases_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cases")),
    )
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_cases_site_id"), ["site_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_cases_unit_id"), ["unit_id"], unique=False)
        batch_op.create_index(
            "uq_cases_open_cause",
            ["cause"],
            unique=True,
            sqlite_where=sa.text("closed_at IS NULL"),
            postgresql_where=sa.text("closed_at IS NULL"),
        )

    op.create_table(
        "conditions",
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("condition", sa.String(length=24), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column("reckoned_on", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_conditions_unit_id_units")),
        sa.PrimaryKeyConstraint("unit_id", name=op.f("pk_conditions")),
    )
    with op.batch_alter_table("conditions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_conditions_condition"), ["condition"], unique=False)

    op.create_table(
        "duties",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=16), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=96), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("standing", sa.String(length=12), nullable=False),
        sa.Column("opens", sa.Date(), nullable=True),
        sa.Column("order_by", sa.Date(), nullable=True),
        sa.Column("last_good_day", sa.Date(), nullable=True),
        sa.Column("deadline", Instant(timezone=True), nullable=True),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("because", sa.Text(), nullable=False),
        sa.Column("period", sa.String(length=48), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("sequence", sa.Integer(), server_default="0", nullable=False),
        sa.Column("changed_at", Instant(timezone=True), nullable=False),
        sa.Column("revision", sa.Integer(), server_default="1", nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_duties_site_id_sites")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_duties_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_duties")),
        sa.UniqueConstraint("holder", "key", name=op.f("uq_duties_holder")),
    )
    with op.batch_alter_table("duties", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_duties_last_good_day"), ["last_good_day"], unique=False)
        batch_op.create_index(batch_op.f("ix_duties_site_id"), ["site_id"], unique=False)
        batch_op.create_index("ix_duties_standing", ["standing"], unique=False)
        batch_op.create_index(batch_op.f("ix_duties_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "evidence",
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("looked_on", sa.Date(), nullable=True),
        sa.Column("tested_on", sa.Date(), nullable=True),
        sa.Column("inspected_on", sa.Date(), nullable=True),
        sa.Column("reported_on", sa.Date(), nullable=True),
        sa.Column("withdrawn_on", sa.Date(), nullable=True),
        sa.Column("used_at", Instant(timezone=True), nullable=True),
        sa.Column("fault_on", sa.Date(), nullable=True),
        sa.Column("fault", sa.Text(), server_default="", nullable=False),
        sa.Column("battery_low_on", sa.Date(), nullable=True),
        sa.Column("battery_empty_on", sa.Date(), nullable=True),
        sa.Column("pads_low_on", sa.Date(), nullable=True),
        sa.Column("pads_bad_on", sa.Date(), nullable=True),
        sa.Column("pads_missing_on", sa.Date(), nullable=True),
        sa.Column("ordered", sa.Text(), server_default="[]", nullable=False),
        sa.Column("bad_readings", sa.Text(), server_default="[]", nullable=False),
        sa.Column("last_used_on", sa.Date(), nullable=True),
        sa.Column("uses", sa.Text(), server_default="[]", nullable=False),
        sa.Column("out_of_service_on", sa.Date(), nullable=True),
        sa.Column("notices", sa.Text(), server_default="[]", nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_evidence_unit_id_units")),
        sa.PrimaryKeyConstraint("unit_id", name=op.f("pk_evidence")),
    )
    op.create_table(
        "feed_states",
        sa.Column("feed_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("made_with", sa.String(length=64), nullable=False),
        sa.Column("etag", sa.String(length=64), nullable=False),
        sa.Column("last_modified", Instant(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["feed_id"], ["feeds.id"], name=op.f("fk_feed_states_feed_id_feeds")),
        sa.PrimaryKeyConstraint("feed_id", "kind", name=op.f("pk_feed_states")),
    )
    op.create_table(
        "log",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("written_at", Instant(timezone=True), nullable=False),
        sa.Column("entry", sa.String(length=16), nullable=False),
        sa.Column("by_person", sa.String(length=64), server_default="", nullable=False),
        sa.Column("readings", sa.Text(), server_default="{}", nullable=False),
        sa.Column("part", sa.Text(), server_default="{}", nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.Column("strikes", sa.Integer(), nullable=True),
        sa.Column("source", sa.Text(), server_default="", nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("prev_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("discarded_at", Instant(timezone=True), nullable=True),
        sa.Column("seal", sa.String(length=64), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_log_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_log")),
    )
    with op.batch_alter_table("log", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_log_digest"), ["digest"], unique=False)
        batch_op.create_index(batch_op.f("ix_log_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "moves",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(timezone=True), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=96), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("old", sa.Text(), nullable=False),
        sa.Column("new", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_moves_site_id_sites")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_moves_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_moves")),
    )
    with op.batch_alter_table("moves", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_moves_at"), ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_moves_site_id"), ["site_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_moves_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("lot", sa.String(length=64), server_default="", nullable=False),
        sa.Column("label_date", sa.String(length=32), server_default="", nullable=False),
        sa.Column("last_good_day", sa.Date(), nullable=True),
        sa.Column("read_from", sa.String(length=8), server_default="", nullable=False),
        sa.Column("fitted_on", sa.Date(), nullable=True),
        sa.Column("udi", sa.Text(), server_default="", nullable=False),
        sa.Column("cost", sa.String(length=32), server_default="", nullable=False),
        sa.Column("odd", sa.Boolean(), server_default=sa.text("(false)"), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_parts_site_id_sites")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_parts_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parts")),
    )
    with op.batch_alter_table("parts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_parts_site_id"), ["site_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_parts_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "events",
        sa.Column("duty_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("stamp", sa.String(length=96), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["duty_id"], ["duties.id"], name=op.f("fk_events_duty_id_duties"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("duty_id", "kind", name=op.f("pk_events")),
    )
    op.create_table(
        "tellings",
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(length=24), nullable=False),
        sa.Column("message_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_tellings_case_id_cases")),
        sa.ForeignKeyConstraint(["message_id"], ["messages.id"], name=op.f("fk_tellings_message_id_messages")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_tellings_person_id_people")),
        sa.PrimaryKeyConstraint("case_id", "person_id", "step", name=op.f("pk_tellings")),
    )
    with op.batch_alter_table("tellings", schema=None) as batch_op:
        batch_op.create_index("ix_tellings_told", ["person_id", "step"], unique=False)
