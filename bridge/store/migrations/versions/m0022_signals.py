"""Signals that people are told of, what was said of them by which way, and kinds that are muted."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0022"
down_revision = "0018"
branch_labels = None
depends_on = None


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def _texts(*names: str, nullable: bool = False) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=nullable) for name in names]


def upgrade() -> None:
    """Add the three tables; nothing was signalled before."""
    op.create_table(
        "signals",
        _id(),
        *_texts("kind", "state", "content", "since", "opened_at"),
        *_texts("said_at", nullable=True),
        *_texts("acknowledged_by"),
        *_texts("acknowledged_at", nullable=True),
        sa.Column("version", Integer, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    stands = sa.text("state <> 'ended'")
    op.create_index("signals_standing", "signals", ["kind"], unique=True, sqlite_where=stands, postgresql_where=stands)
    op.create_table(
        "signal_says",
        _id(),
        sa.Column("signal_id", Integer, sa.ForeignKey("signals.id"), nullable=True),
        *_texts("way", "what", "headline", "text", "at", "state"),
        *_texts("due_at", nullable=True),
        sa.Column("tries", Integer, nullable=False),
        *_texts("ended_at", nullable=True),
        *_texts("fault", "actor"),
        sa.PrimaryKeyConstraint("id"),
    )
    is_due = sa.text("state = 'due'")
    op.create_index("signal_says_due", "signal_says", ["id"], sqlite_where=is_due, postgresql_where=is_due)
    op.create_index("signal_says_signal", "signal_says", ["signal_id"])
    op.create_table(
        "signal_mutes", *_texts("kind", "until", "actor", "verified", "at", "reason"), sa.PrimaryKeyConstraint("kind")
    )
