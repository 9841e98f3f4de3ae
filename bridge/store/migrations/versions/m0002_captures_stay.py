"""Captures cannot be altered; decisions are of a record's bytes; what the loops and Today ask has its index."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Text

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what the first schema lacked."""
    op.create_index("strips_patient_read", "strips", ["patient_printed", "analyzed_at"], unique=False)
    op.create_index("strips_capture", "strips", ["capture_id", "idx"], unique=False)
    op.create_index("results_strip", "results", ["strip_id"], unique=False)
    op.create_index("strips_series", "strips", ["analyzer", "series"], unique=False)
    op.create_index("strips_analyzer", "strips", ["analyzer"], unique=False)
    op.create_index("captures_analyzer", "captures", ["analyzer"], unique=False)
    op.create_index("deliveries_state", "deliveries", ["destination", "state", "born_at"], unique=False)
    # an index alone is no strip: a capture that is cut otherwise has another strip there
    op.add_column("decisions", sa.Column("record_digest", Text, nullable=False, server_default=""))
    op.execute(
        "UPDATE decisions SET record_digest = coalesce((SELECT s.record_digest FROM strips s WHERE s.capture_id = decisions.capture_id"
        " AND s.idx = decisions.idx ORDER BY s.id DESC LIMIT 1), '')"
    )
    # the bytes as they arrived are the evidence for all that was made of them
    append_only("captures")
