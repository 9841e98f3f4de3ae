"""When a session's person last gave the password, since when it is locked, and what it shares with the sessions before it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0061"
down_revision = "0045"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Begin the table anew: whoever is signed in while Padpost is upgraded signs in again, and nothing asks for ``confirmed_at`` any more."""
    op.drop_table("sessions")
    op.create_table(
        "sessions",
        sa.Column("digest", Text, nullable=False),
        sa.Column("account_id", Integer, nullable=False),
        sa.Column("opened_at", Text, nullable=False),
        sa.Column("seen_at", Text, nullable=False),
        sa.Column("sure_at", Text, nullable=True),
        sa.Column("locked_at", Text, nullable=True),
        sa.Column("line", Text, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("sessions_account", "sessions", ["account_id"])
