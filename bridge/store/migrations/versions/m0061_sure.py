"""When a session's person last gave the password, since when it is locked, and what it shares with the sessions before it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Text

revision = "0061"
down_revision = "0045"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Begin the table anew: whoever is signed in while Padpost is upgraded signs in again."""
    op.execute("DELETE FROM sessions")
    op.add_column("sessions", sa.Column("sure_at", Text, nullable=True))
    op.add_column("sessions", sa.Column("locked_at", Text, nullable=True))
    op.add_column("sessions", sa.Column("line", Text, nullable=False, server_default=""))
