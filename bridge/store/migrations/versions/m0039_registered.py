"""Identifiers that are no patient's: registered by one person, signed by another, ended with a reason."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0039"
down_revision = "0029"
branch_labels = None
depends_on = None


def _texts(*names: str, nullable: bool = False) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=nullable) for name in names]


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "registered_ids",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("text", "purpose", "scheme", "since", "until", "entered_by", "entered_at", "signed_by"),
        *_texts("signed_at", nullable=True),
        *_texts("ended_by"),
        *_texts("ended_at", nullable=True),
        *_texts("reason"),
        sa.PrimaryKeyConstraint("id"),
    )
