"""A delivery that its receiver keeps and has not answered yet (``committed``) holds its lane: the lanes' index knows it."""

from __future__ import annotations

from alembic import op

revision = "0005"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the index of open deliveries again, with the new state."""
    op.execute("DROP INDEX IF EXISTS deliveries_open")
    op.execute(
        "CREATE INDEX deliveries_open ON deliveries (destination, lane, id)"
        " WHERE state IN ('unborn', 'queued', 'sending', 'retrying', 'committed')"
    )
