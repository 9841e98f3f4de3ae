"""Corrective actions, signed months, a second name beside an accepted lot; a lot's strips, and what was sent with a note, at once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0021"
down_revision = "0023"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def upgrade() -> None:
    """Add two tables to which rows are only appended, two columns and two indexes. Lots that one person accepted stay accepted by that one."""
    op.create_table(
        "corrective_actions",
        _id(),
        sa.Column("event_id", Integer, nullable=False),
        *_texts("content", "actor", "verified", "at"),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["event_id"], ["gate_events.id"]),
    )
    op.create_index("corrective_actions_event", "corrective_actions", ["event_id"])
    signed = ("analyzer", "strip_type", "month", "content", "digest", "statement", "remark", "actor", "verified", "at")
    op.create_table("month_signatures", _id(), *_texts(*signed), sa.PrimaryKeyConstraint("id"))
    op.create_index("month_signatures_month", "month_signatures", ["month", "analyzer", "strip_type"])
    append_only("corrective_actions")
    append_only("month_signatures")
    op.add_column("accepted_lots", sa.Column("signed_by", Text, nullable=False, server_default=""))
    op.add_column("accepted_lots", sa.Column("signed_at", Text, nullable=True))
    op.execute("UPDATE accepted_lots SET signed_by = accepted_by, signed_at = accepted_at")
    noted = sa.text("outcome = 'coded' AND findings <> '[]'")
    op.create_index("strips_noted", "strips", ["arrived_at"], sqlite_where=noted, postgresql_where=noted)
    op.create_index("strips_lot", "strips", ["strip_lot"])
