"""Receivers that people paused, and the notes of one shift for the next."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0047"
down_revision = "0043"
branch_labels = None
depends_on = None


def _table(name: str, texts: tuple[str, ...], *, end: str) -> None:
    op.create_table(
        name,
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(each, Text, nullable=False) for each in texts),
        sa.Column(end, Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )


def _part(name: str, table: str, column: str, *, where: str, unique: bool = False) -> None:
    op.create_index(name, table, [column], unique=unique, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Add the two tables."""
    _table("pauses", ("destination", "actor", "verified", "at", "reason", "ended_by", "ended_reason"), end="ended_at")
    _part("pauses_standing", "pauses", "destination", where="ended_at IS NULL", unique=True)
    _table("hand_over", ("text", "actor", "verified", "at", "closed_by"), end="closed_at")
    _part("hand_over_open", "hand_over", "id", where="closed_at IS NULL")
    op.create_index("hand_over_closed", "hand_over", ["closed_at"])
