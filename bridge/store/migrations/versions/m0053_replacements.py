"""Which strip takes the place of a result that was withdrawn for it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer

revision = "0053"
down_revision = "0046"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "replacements",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(name, Integer, nullable=False) for name in ("capture_id", "idx", "correction_id")),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["correction_id"], ["corrections.id"]),
        sa.UniqueConstraint("correction_id"),
    )
    op.create_index("replacements_strip", "replacements", ["capture_id", "idx"])
