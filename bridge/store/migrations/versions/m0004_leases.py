"""Who alone works on what, and which processes are alive."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the two tables."""
    op.create_table(
        "processes",
        sa.Column("owner", Text, nullable=False),
        sa.Column("roles", Text, nullable=False),
        sa.Column("host", Text, nullable=False),
        sa.Column("pid", Integer, nullable=False),
        sa.Column("wishes", Text, nullable=False),
        sa.Column("seen_until", Text, nullable=True),
        sa.PrimaryKeyConstraint("owner"),
    )
    op.create_table(
        "leases",
        sa.Column("name", Text, nullable=False),
        sa.Column("owner", Text, nullable=False),
        sa.Column("token", Integer, nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_index("leases_owner", "leases", ["owner"], unique=False)
