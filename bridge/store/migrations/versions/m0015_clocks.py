"""The time of analysis as a person corrected it, beside the printed one; and the register of operators."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0015"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column and the table; nobody has corrected a time or entered an operator before."""
    op.add_column("decisions", sa.Column("analyzed_at", Text, nullable=True))
    op.create_table(
        "operators",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *(sa.Column(name, Text, nullable=False) for name in ("analyzer", "number", "name", "since")),
        *(sa.Column(name, Text, nullable=True) for name in ("until", "competency_due")),
        *(sa.Column(name, Text, nullable=False) for name in ("shift", "entered_by", "entered_at", "ended_by")),
        sa.Column("ended_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
