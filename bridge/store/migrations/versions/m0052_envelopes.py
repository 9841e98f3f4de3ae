"""Sealed envelopes: the way in when no other is open."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0052"
down_revision = "0057"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "envelopes",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(
            sa.Column(name, Text, nullable=name.endswith("_at") and name != "sealed_at")
            for name in (
                "digest", "sealed_by", "sealed_at", "opened_by", "opened_at", "opened_why", "looked_by", "looked_at", "looked_why",
            )
        ),
        sa.PrimaryKeyConstraint("id"),
    )  # fmt: skip
