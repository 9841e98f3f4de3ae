"""The time of analysis as a person corrected it, beside the printed one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Text

revision = "0015"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; nobody has corrected a time before."""
    op.add_column("decisions", sa.Column("analyzed_at", Text, nullable=True))
