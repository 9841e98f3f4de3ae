"""Containers of strips as people entered them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_TEXTS = ("analyzer", "strip_type", "strip_lot", "expires", "opened_at", "entered_by", "entered_at", "closed_by")


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "containers",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(name, Text, nullable=False) for name in _TEXTS),
        sa.Column("closed_at", Text, nullable=True),
        sa.Column("closed_how", Text, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
