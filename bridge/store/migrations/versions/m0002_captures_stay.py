"""Captures cannot be altered; strips are found by patient and printed time."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what the first schema lacked."""
    op.create_index("strips_patient_read", "strips", ["patient_printed", "analyzed_at"], unique=False)
    # the bytes as they arrived are the evidence for all that was made of them
    op.execute(
        "CREATE TRIGGER captures_no_update BEFORE UPDATE ON captures BEGIN SELECT RAISE(ABORT, 'captures are append-only'); END"
    )
    op.execute(
        "CREATE TRIGGER captures_no_delete BEFORE DELETE ON captures BEGIN SELECT RAISE(ABORT, 'captures are append-only'); END"
    )
