"""What was done about results that were sent, and the telephone calls about it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0020"
down_revision = "0039"
branch_labels = None
depends_on = None


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the two tables."""
    op.create_table(
        "corrections",
        _id(),
        *_texts("kind", "result_id"),
        sa.Column("version", Integer, nullable=False),
        *_texts("new_result_id"),
        sa.Column("new_version", Integer, nullable=True),
        sa.Column("withdrawn_version", Integer, nullable=True),
        *_texts("fields", "actor", "verified", "second", "reason", "at"),
        sa.Column("is_critical", Integer, nullable=False),
        sa.Column("calls_by", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("corrections_result", "corrections", ["result_id", "version"], unique=True)
    op.create_index("corrections_new", "corrections", ["new_result_id", "new_version"])
    op.create_table(
        "calls",
        _id(),
        sa.Column("correction_id", Integer, nullable=False),
        *_texts("unit", "told"),
        sa.Column("read_back", Integer, nullable=False),
        *_texts("actor", "verified", "at"),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["correction_id"], ["corrections.id"]),
    )
    op.create_index("calls_correction", "calls", ["correction_id"])
