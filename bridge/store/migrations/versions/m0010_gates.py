"""Gates by controls: how each stands, everything that happened to it, what is to be looked at again after a failure, and lots that people entered."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_KEY = ["analyzer", "strip_type", "strip_lot"]


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, Integer, nullable=False) for name in names]


def upgrade() -> None:
    """Add the four tables, and the index of strips that wait for controls."""
    op.create_table("gates", *_texts(*_KEY, "content"), sa.PrimaryKeyConstraint(*_KEY))
    op.create_table(
        "gate_events",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts(*_KEY, "at"),
        *_numbers("capture_id", "idx"),
        *_texts("what", "before", "after", "level"),
        sa.Column("decides", Integer, nullable=True),
        *_texts("run", "actor", "verified", "reason"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("gate_events_order", "gate_events", [*_KEY, "at", "capture_id", "idx"])
    op.create_index("gate_events_reading", "gate_events", ["capture_id", "idx"])
    op.create_table(
        "look_backs",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_numbers("capture_id", "idx", "failed_capture_id", "failed_idx"),
        *_texts("verdict", "actor", "verified"),
        sa.Column("decided_at", Text, nullable=True),
        *_texts("reason"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("capture_id", "idx"),
    )
    op.create_table(
        "control_lots",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("content", "entered_by", "entered_at", "signed_by"),
        sa.Column("signed_at", Text, nullable=True),
        *_texts("closed_by"),
        sa.Column("closed_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    waiting = sa.text("outcome = 'waiting'")
    op.create_index("strips_waiting", "strips", _KEY, sqlite_where=waiting, postgresql_where=waiting)
    append_only("gate_events")
