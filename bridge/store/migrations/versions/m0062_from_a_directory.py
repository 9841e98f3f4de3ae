"""Whose account it is in a directory."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Text

revision = "0062"
down_revision = "0061"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns."""
    for name in ("issuer", "subject"):
        op.add_column("accounts", sa.Column(name, Text, nullable=False, server_default=""))
    op.create_index("accounts_subject", "accounts", ["issuer", "subject"])
