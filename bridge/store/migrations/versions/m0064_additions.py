"""What people add to strips, and the results that wait for it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0064"
down_revision = "0062"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def _seat() -> list[sa.Column[int]]:
    return [
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        sa.Column("capture_id", Integer, nullable=False),
        sa.Column("idx", Integer, nullable=False),
    ]


def upgrade() -> None:
    """Add the two tables."""
    op.create_table(
        "additions",
        *_seat(),
        *_texts("record_digest", "what", "word", "actor", "verified", "at"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("additions_reading", "additions", ["capture_id", "idx"])
    op.create_table(
        "additions_awaited",
        *_seat(),
        *_texts("analyzer", "result_id"),
        sa.Column("version", Integer, nullable=False),
        *_texts("asks", "due_at"),
        sa.Column("holds", Integer, nullable=False),
        *_texts("state"),
        sa.PrimaryKeyConstraint("id"),
    )
    is_open = sa.text("state = 'open'")
    op.create_index("additions_awaited_open", "additions_awaited", ["due_at"], sqlite_where=is_open, postgresql_where=is_open)
    op.create_index("additions_awaited_reading", "additions_awaited", ["capture_id", "idx"])
    op.create_index("additions_awaited_result", "additions_awaited", ["result_id", "version"])
