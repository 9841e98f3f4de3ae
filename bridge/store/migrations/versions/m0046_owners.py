"""Who has taken something that is stopped."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Text

revision = "0046"
down_revision = "0047"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("stops", sa.Column("owner", Text, nullable=False, server_default=""))
