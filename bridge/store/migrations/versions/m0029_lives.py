"""What happened to analyzers, as people said it: lines that are only appended."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0029"
down_revision = "0021"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "analyzer_events",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("analyzer", "what", "happened_at", "text", "reason", "entered_by", "verified", "entered_at"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("analyzer_events_analyzer", "analyzer_events", ["analyzer", "what", "happened_at"])
    append_only("analyzer_events")
