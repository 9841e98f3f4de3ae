"""Critical results that somebody is to be told of, and what happened to each."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only_but_words
from bridge.store.schema import Integer, Text

revision = "0018"
down_revision = "0016"
branch_labels = None
depends_on = None


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, Integer, nullable=False) for name in names]


def upgrade() -> None:
    """Add the two tables. A step stays as it was written, but for its free text, which the purge empties."""
    op.create_table(
        "tellings",
        _id(),
        *_numbers("capture_id", "idx"),
        *_texts("rule", "words", "pads"),
        *_numbers("tables"),
        *_texts("state"),
        *_numbers("steps"),
        *_texts("since"),
        *_numbers("turn"),
        *_texts("turn_at"),
        sa.Column("told_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("capture_id", "idx", "rule"),
    )
    is_unsettled = sa.text("state <> 'closed'")
    op.create_index("tellings_unsettled", "tellings", ["id"], sqlite_where=is_unsettled, postgresql_where=is_unsettled)
    op.create_table(
        "telling_steps",
        _id(),
        *_numbers("telling_id"),
        *_texts("at", "what", "name", "role", "means"),
        sa.Column("done_at", Text, nullable=True),
        *_texts("reason", "actor", "verified"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("telling_steps_task", "telling_steps", ["telling_id", "id"])
    kept = ("id", "telling_id", "at", "what", "name", "role", "means", "done_at", "actor", "verified")
    append_only_but_words("telling_steps", kept, "reason")
