"""Containers of strips as people entered them, and lots as they accepted them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_ACCEPTED = ("strip_type", "strip_lot", "accepted_by", "accepted_at", "reason", "withdrawn_by")
_TEXTS = ("analyzer", "strip_type", "strip_lot", "expires", "opened_at", "entered_by", "entered_at", "closed_by")


def upgrade() -> None:
    """Add the two tables."""
    op.create_table(
        "containers",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(name, Text, nullable=False) for name in _TEXTS),
        sa.Column("closed_at", Text, nullable=True),
        sa.Column("closed_how", Text, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "accepted_lots",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(name, Text, nullable=False) for name in _ACCEPTED),
        sa.Column("withdrawn_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    standing = sa.text("withdrawn_at IS NULL")
    op.create_index(
        "accepted_lots_standing",
        "accepted_lots",
        ["strip_type", "strip_lot"],
        unique=True,
        sqlite_where=standing,
        postgresql_where=standing,
    )
