"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table."""
    op.create_table(
        "captures",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("profile", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("arrived_at", sa.Text(), nullable=False),
        sa.Column("torn", sa.Integer(), nullable=False),
        sa.Column("live", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=True),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("origin"),
    )
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("destination", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("result_id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("format", sa.Text(), nullable=False),
        sa.Column("control_id", sa.Text(), nullable=True),
        sa.Column("payload", sa.LargeBinary(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("born_at", sa.Text(), nullable=False),
        sa.Column("due_at", sa.Text(), nullable=True),
        sa.Column("first_attempt_at", sa.Text(), nullable=True),
        sa.Column("accepted_at", sa.Text(), nullable=True),
        sa.Column("last_code", sa.Text(), nullable=False),
        sa.Column("after", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("control_id"),
    )
    op.create_index("deliveries_born", "deliveries", ["born_at"], unique=False)
    op.create_index(
        "deliveries_open",
        "deliveries",
        ["destination", "lane", "id"],
        unique=False,
        sqlite_where=sa.text("state IN ('unborn', 'queued', 'sending', 'retrying')"),
        postgresql_where=sa.text("state IN ('unborn', 'queued', 'sending', 'retrying')"),
    )
    op.create_index("deliveries_result", "deliveries", ["result_id", "version"], unique=False)
    op.create_table(
        "destinations",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("verified", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("events_subject", "events", ["subject", "id"], unique=False)
    op.create_table(
        "meta",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "plan_checks",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_table(
        "series",
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("series", sa.Text(), nullable=False),
        sa.Column("last_number", sa.Integer(), nullable=False),
        sa.Column("last_printed_at", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("analyzer", "mode"),
    )
    op.create_table(
        "table_sets",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_table(
        "attempts",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text(), nullable=True),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["delivery_id"], ["deliveries.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("attempts_delivery", "attempts", ["delivery_id"], unique=False)
    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("capture_id", sa.Integer(), nullable=False),
        sa.Column("idx", sa.Integer(), nullable=False),
        sa.Column("patient_id", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("verified", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("decisions_reading", "decisions", ["capture_id", "idx"], unique=False)
    op.create_table(
        "intake",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("capture_id", sa.Integer(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("only_index", sa.Integer(), nullable=True),
        sa.Column("next_index", sa.Integer(), nullable=False),
        sa.Column("because", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "intake_open",
        "intake",
        ["analyzer", "id"],
        unique=False,
        sqlite_where=sa.text("ended_at IS NULL"),
        postgresql_where=sa.text("ended_at IS NULL"),
    )
    op.create_table(
        "strips",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("capture_id", sa.Integer(), nullable=False),
        sa.Column("idx", sa.Integer(), nullable=False),
        sa.Column("is_newest", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("series", sa.Text(), nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("patient_printed", sa.Text(), nullable=False),
        sa.Column("patient_id", sa.Text(), nullable=False),
        sa.Column("specimen_id", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("strip_type", sa.Text(), nullable=False),
        sa.Column("strip_lot", sa.Text(), nullable=False),
        sa.Column("analyzed_at", sa.Text(), nullable=True),
        sa.Column("arrived_at", sa.Text(), nullable=False),
        sa.Column("judged_at", sa.Text(), nullable=False),
        sa.Column("record_digest", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=True),
        sa.Column("copy_of", sa.Integer(), nullable=True),
        sa.Column("result_id", sa.Text(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("pads", sa.Text(), nullable=False),
        sa.Column("abnormal", sa.Integer(), nullable=False),
        sa.Column("place_start", sa.Integer(), nullable=False),
        sa.Column("place_end", sa.Integer(), nullable=False),
        sa.Column("tables_digest", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("strips_arrived", "strips", ["arrived_at"], unique=False)
    op.create_index("strips_number", "strips", ["analyzer", "mode", "number"], unique=False)
    op.create_index("strips_patient", "strips", ["patient_printed", "arrived_at"], unique=False)
    op.create_index(
        "strips_reading",
        "strips",
        ["capture_id", "idx"],
        unique=True,
        sqlite_where=sa.text("is_newest = 1"),
        postgresql_where=sa.text("is_newest = 1"),
    )
    op.create_index("strips_record", "strips", ["analyzer", "record_digest"], unique=False)
    op.create_index("strips_result", "strips", ["result_id"], unique=False)
    op.create_table(
        "results",
        sa.Column("result_id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("strip_id", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["strip_id"], ["strips.id"]),
        sa.UniqueConstraint("result_id", "version"),
    )
    op.create_table(
        "stops",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("grp", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("remedy", sa.Text(), nullable=False),
        sa.Column("place_start", sa.Integer(), nullable=True),
        sa.Column("place_end", sa.Integer(), nullable=True),
        sa.Column("releasable", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.Text(), nullable=False),
        sa.Column("repeats", sa.Integer(), nullable=False),
        sa.Column("last_repeat_at", sa.Text(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("capture_id", sa.Integer(), nullable=True),
        sa.Column("strip_id", sa.Integer(), nullable=True),
        sa.Column("delivery_id", sa.Integer(), nullable=True),
        sa.Column("receiver_words", sa.Text(), nullable=False),
        sa.Column("closed_at", sa.Text(), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("closed_how", sa.Text(), nullable=False),
        sa.Column("closed_reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"]),
        sa.ForeignKeyConstraint(["delivery_id"], ["deliveries.id"]),
        sa.ForeignKeyConstraint(["strip_id"], ["strips.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "stops_open",
        "stops",
        ["grp", "id"],
        unique=False,
        sqlite_where=sa.text("state = 'open'"),
        postgresql_where=sa.text("state = 'open'"),
    )
    op.create_index("stops_strip", "stops", ["strip_id"], unique=False)
    op.create_table(
        "refused_files",
        sa.Column("stop_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("beginning", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["stop_id"], ["stops.id"]),
        sa.PrimaryKeyConstraint("stop_id"),
    )
    # history is append-only: not even we may mend it
    op.execute("CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are append-only'); END")
    op.execute("CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are append-only'); END")
