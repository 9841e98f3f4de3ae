"""A strip is found by the time at which it was run, as printed or as a person corrected it, without a walk through all the years."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0057"
down_revision = "0064"
branch_labels = None
depends_on = None

_CORRECTED = sa.text("analyzed_at IS NOT NULL")


def upgrade() -> None:
    """Add an index for each of both times."""
    op.create_index("strips_analyzed", "strips", ["analyzed_at"])
    op.create_index("decisions_analyzed", "decisions", ["analyzed_at"], sqlite_where=_CORRECTED, postgresql_where=_CORRECTED)
