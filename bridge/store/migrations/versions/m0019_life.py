"""Day logs of analyzers: lines that are only appended."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0019"
down_revision = "0017"
branch_labels = None
depends_on = None


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "day_log",
        _id(),
        *_texts("analyzer", "item", "done_at", "found", "typed", "scale", "remark"),
        sa.Column("corrects", Integer, nullable=True),
        *_texts("reason", "entered_by", "verified", "entered_at"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("corrects"),
    )
    op.create_index("day_log_done", "day_log", ["done_at"])
    append_only("day_log")
