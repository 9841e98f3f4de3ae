"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table."""
    _captures_and_deliveries()
    _small_tables()
    _work()
    _strips()
    _stops()


def _captures_and_deliveries() -> None:
    """Create what is kept as it came, and what is sent of it."""
    op.create_table(
        "captures",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("analyzer", Text, nullable=False),
        sa.Column("profile", Text, nullable=False),
        sa.Column("source", Text, nullable=False),
        sa.Column("way", Text, nullable=False),
        sa.Column("name", Text, nullable=False),
        sa.Column("arrived_at", Text, nullable=False),
        sa.Column("torn", Integer, nullable=False),
        sa.Column("live", Integer, nullable=False),
        sa.Column("digest", Text, nullable=False),
        sa.Column("origin", Text, nullable=True),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("origin"),
    )
    op.create_table(
        "deliveries",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("destination", Text, nullable=False),
        sa.Column("lane", Text, nullable=False),
        sa.Column("priority", Text, nullable=False),
        sa.Column("result_id", Text, nullable=False),
        sa.Column("version", Integer, nullable=False),
        sa.Column("format", Text, nullable=False),
        sa.Column("control_id", Text, nullable=True),
        sa.Column("payload", sa.LargeBinary(), nullable=True),
        sa.Column("state", Text, nullable=False),
        sa.Column("attempts", Integer, nullable=False),
        sa.Column("born_at", Text, nullable=False),
        sa.Column("due_at", Text, nullable=True),
        sa.Column("first_attempt_at", Text, nullable=True),
        sa.Column("accepted_at", Text, nullable=True),
        sa.Column("last_code", Text, nullable=False),
        sa.Column("after", Integer, nullable=True),
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


def _small_tables() -> None:
    """Create receivers, history, counters, plans, series and table sets."""
    op.create_table(
        "destinations",
        sa.Column("name", Text, nullable=False),
        sa.Column("state", Text, nullable=False),
        sa.Column("reason", Text, nullable=False),
        sa.Column("since", Text, nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "events",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("at", Text, nullable=False),
        sa.Column("actor", Text, nullable=False),
        sa.Column("verified", Text, nullable=False),
        sa.Column("what", Text, nullable=False),
        sa.Column("subject", Text, nullable=False),
        sa.Column("before", Text, nullable=False),
        sa.Column("after", Text, nullable=False),
        sa.Column("reason", Text, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("events_subject", "events", ["subject", "id"], unique=False)
    op.create_table(
        "meta",
        sa.Column("name", Text, nullable=False),
        sa.Column("value", Text, nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "plan_checks",
        sa.Column("digest", Text, nullable=False),
        sa.Column("fault", Text, nullable=False),
        sa.Column("at", Text, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_table(
        "series",
        sa.Column("analyzer", Text, nullable=False),
        sa.Column("mode", Text, nullable=False),
        sa.Column("series", Text, nullable=False),
        sa.Column("last_number", Integer, nullable=False),
        sa.Column("last_printed_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("analyzer", "mode"),
    )
    op.create_table(
        "table_sets",
        sa.Column("digest", Text, nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("at", Text, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )


def _work() -> None:
    """Create tries, decisions and what is to be judged."""
    op.create_table(
        "attempts",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("delivery_id", Integer, nullable=False),
        sa.Column("started_at", Text, nullable=False),
        sa.Column("ended_at", Text, nullable=True),
        sa.Column("code", Text, nullable=False),
        sa.Column("words", Text, nullable=False),
        sa.ForeignKeyConstraint(["delivery_id"], ["deliveries.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("attempts_delivery", "attempts", ["delivery_id"], unique=False)
    op.create_table(
        "decisions",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("capture_id", Integer, nullable=False),
        sa.Column("idx", Integer, nullable=False),
        sa.Column("patient_id", Text, nullable=False),
        sa.Column("rules", Text, nullable=False),
        sa.Column("actor", Text, nullable=False),
        sa.Column("verified", Text, nullable=False),
        sa.Column("at", Text, nullable=False),
        sa.ForeignKeyConstraint(["capture_id"], ["captures.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("decisions_reading", "decisions", ["capture_id", "idx"], unique=False)
    op.create_table(
        "intake",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("capture_id", Integer, nullable=False),
        sa.Column("analyzer", Text, nullable=False),
        sa.Column("only_index", Integer, nullable=True),
        sa.Column("next_index", Integer, nullable=False),
        sa.Column("because", Text, nullable=False),
        sa.Column("ended_at", Text, nullable=True),
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


def _strips() -> None:
    """Create strips and their results."""
    op.create_table(
        "strips",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("capture_id", Integer, nullable=False),
        sa.Column("idx", Integer, nullable=False),
        sa.Column("is_newest", Integer, nullable=False),
        sa.Column("outcome", Text, nullable=False),
        sa.Column("analyzer", Text, nullable=False),
        sa.Column("mode", Text, nullable=False),
        sa.Column("series", Text, nullable=False),
        sa.Column("number", Text, nullable=False),
        sa.Column("purpose", Text, nullable=False),
        sa.Column("priority", Text, nullable=False),
        sa.Column("patient_printed", Text, nullable=False),
        sa.Column("patient_id", Text, nullable=False),
        sa.Column("specimen_id", Text, nullable=False),
        sa.Column("operator", Text, nullable=False),
        sa.Column("strip_type", Text, nullable=False),
        sa.Column("strip_lot", Text, nullable=False),
        sa.Column("analyzed_at", Text, nullable=True),
        sa.Column("arrived_at", Text, nullable=False),
        sa.Column("judged_at", Text, nullable=False),
        sa.Column("record_digest", Text, nullable=False),
        sa.Column("content", Text, nullable=True),
        sa.Column("copy_of", Integer, nullable=True),
        sa.Column("result_id", Text, nullable=False),
        sa.Column("findings", Text, nullable=False),
        sa.Column("pads", Text, nullable=False),
        sa.Column("abnormal", Integer, nullable=False),
        sa.Column("place_start", Integer, nullable=False),
        sa.Column("place_end", Integer, nullable=False),
        sa.Column("tables_digest", Text, nullable=False),
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
        sa.Column("result_id", Text, nullable=False),
        sa.Column("version", Integer, nullable=False),
        sa.Column("strip_id", Integer, nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["strip_id"], ["strips.id"]),
        sa.UniqueConstraint("result_id", "version"),
    )


def _stops() -> None:
    """Create what waits for a person; history is append-only: not even we may mend it."""
    op.create_table(
        "stops",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("grp", Text, nullable=False),
        sa.Column("state", Text, nullable=False),
        sa.Column("rule", Text, nullable=False),
        sa.Column("rules", Text, nullable=False),
        sa.Column("sentence", Text, nullable=False),
        sa.Column("remedy", Text, nullable=False),
        sa.Column("place_start", Integer, nullable=True),
        sa.Column("place_end", Integer, nullable=True),
        sa.Column("releasable", Integer, nullable=False),
        sa.Column("opened_at", Text, nullable=False),
        sa.Column("repeats", Integer, nullable=False),
        sa.Column("last_repeat_at", Text, nullable=True),
        sa.Column("source", Text, nullable=False),
        sa.Column("analyzer", Text, nullable=False),
        sa.Column("capture_id", Integer, nullable=True),
        sa.Column("strip_id", Integer, nullable=True),
        sa.Column("delivery_id", Integer, nullable=True),
        sa.Column("receiver_words", Text, nullable=False),
        sa.Column("closed_at", Text, nullable=True),
        sa.Column("closed_by", Text, nullable=False),
        sa.Column("closed_how", Text, nullable=False),
        sa.Column("closed_reason", Text, nullable=False),
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
        sa.Column("stop_id", Integer, nullable=False),
        sa.Column("name", Text, nullable=False),
        sa.Column("digest", Text, nullable=False),
        sa.Column("size", Integer, nullable=False),
        sa.Column("beginning", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["stop_id"], ["stops.id"]),
        sa.PrimaryKeyConstraint("stop_id"),
    )
    append_only("events")
