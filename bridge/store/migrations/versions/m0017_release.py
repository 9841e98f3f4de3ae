"""The second person of a release, and what becomes of the specimen of a strip that is discarded."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Text

revision = "0017"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add two columns; stops that were closed before had no second person, and nobody was asked for the specimen."""
    for name in ("closed_with", "specimen"):
        op.add_column("stops", sa.Column(name, Text, nullable=False, server_default=""))
