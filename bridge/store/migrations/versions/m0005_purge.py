"""What may be purged, and how: the bytes of a capture once, to nothing; events behind a mark. All else stays append-only."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import purge_by_rule
from bridge.store.schema import Text

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add when a row was purged and what a payload was, and open the triggers by the one rule."""
    op.add_column("captures", sa.Column("purged_at", Text, nullable=True))
    op.add_column("strips", sa.Column("purged_at", Text, nullable=True))
    op.add_column("deliveries", sa.Column("payload_digest", Text, nullable=True))
    purge_by_rule()
    op.drop_index("deliveries_born", "deliveries")  # no query asks by it alone
