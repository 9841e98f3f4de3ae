"""A delivery that its receiver keeps and has not answered yet (``committed``) holds its lane: the indexes of lanes know it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_OPEN = "state IN ('unborn', 'queued', 'sending', 'retrying', 'committed')"


def _part(name: str, columns: list[str], where: str, *, unique: bool = False) -> None:
    op.create_index(name, "deliveries", columns, unique=unique, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Make the indexes of open deliveries again, with the new state, and one of what waits for an answer."""
    for name in ("deliveries_open", "deliveries_stat", "deliveries_tables", "deliveries_once"):
        op.drop_index(name, "deliveries")
    _part("deliveries_open", ["destination", "lane", "id"], _OPEN)
    _part("deliveries_stat", ["destination", "lane"], f"{_OPEN} AND priority = 'stat'")
    _part("deliveries_tables", ["destination", "tables_digest"], _OPEN)
    _part("deliveries_once", ["destination", "result_id", "version"], _OPEN, unique=True)
    _part("deliveries_committed", ["destination", "due_at"], "state = 'committed'")
