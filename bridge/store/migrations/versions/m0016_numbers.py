"""Missing numbers that people accounted for, days that they signed, and runs that are held for what went missing inside them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.migrations.append_only import append_only
from bridge.store.schema import Integer, Text

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def _id() -> sa.Column[int]:
    return sa.Column("id", Integer, autoincrement=True, nullable=False)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, Integer, nullable=False) for name in names]


def upgrade() -> None:
    """Add the three tables; to two of them rows are only appended."""
    op.create_table(
        "gap_answers",
        _id(),
        *_texts("analyzer", "mode", "series"),
        *_numbers("first_number", "last_number"),
        *_texts("what", "actor", "verified", "at", "reason"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("gap_answers_series", "gap_answers", ["analyzer", "mode", "series"])
    op.create_table(
        "day_signatures", _id(), *_texts("day", "content", "actor", "verified", "at", "remark"), sa.PrimaryKeyConstraint("id")
    )
    op.create_index("day_signatures_day", "day_signatures", ["day"])
    op.create_table(
        "shifts",
        _id(),
        *_texts("analyzer", "cause"),
        *_numbers("capture_id", "idx", "last_capture_id", "last_idx"),
        *_texts("confirmed_by", "verified"),
        sa.Column("confirmed_at", Text, nullable=True),
        *_texts("reason"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("shifts_analyzer", "shifts", ["analyzer", "id"])
    is_open = sa.text("confirmed_at IS NULL")
    op.create_index("shifts_open", "shifts", ["id"], sqlite_where=is_open, postgresql_where=is_open)
    append_only("gap_answers")
    append_only("day_signatures")
