"""Browsers that several people share, what people switch by there, and how the person of a session is known."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0161"
down_revision = "0052"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add two tables and a column."""
    op.create_table(
        "benches",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("name", "digest", "made_by", "made_at"),
        sa.Column("open_until", Text, nullable=True),
        *_texts("opened_by", "ended_by"),
        sa.Column("ended_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("benches_digest", "benches", ["digest"], unique=True)
    op.create_table(
        "quick_ways",
        sa.Column("account_id", Integer, autoincrement=False, nullable=False),
        *_texts("pin", "badge"),
        sa.PrimaryKeyConstraint("account_id"),
    )
    op.create_index("quick_ways_badge", "quick_ways", ["badge"])
    op.add_column("sessions", sa.Column("known_by", Text, nullable=False, server_default=""))
