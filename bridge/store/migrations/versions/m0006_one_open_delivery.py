"""A version of a result waits once for a destination: by constraint, whatever two processes do at once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_OPEN = sa.text("state IN ('unborn', 'queued', 'sending', 'retrying')")


def upgrade() -> None:
    """Add the constraint."""
    op.create_index(
        "deliveries_once",
        "deliveries",
        ["destination", "result_id", "version"],
        unique=True,
        sqlite_where=_OPEN,
        postgresql_where=_OPEN,
    )
