"""What is open is spelt state by state in the indexes of deliveries: SQLite made a table of its own for each list, at every change of a row."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_OPEN = "(state = 'unborn' OR state = 'queued' OR state = 'sending' OR state = 'retrying' OR state = 'committed')"


def _anew(name: str, columns: list[str], where: str) -> None:
    op.drop_index(name, "deliveries")
    op.create_index(name, "deliveries", columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Make the three indexes anew; they hold few rows."""
    _anew("deliveries_waiting", ["destination", "lane", "id"], f"is_head = 0 AND {_OPEN}")
    _anew("deliveries_stat", ["destination", "lane"], f"priority = 'stat' AND {_OPEN}")
    _anew("deliveries_tables", ["tables", "destination"], _OPEN)
