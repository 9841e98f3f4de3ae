"""Lanes are kept and not reckoned: heads, ranks and blocks stand in the rows, and so do the tables that coded them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_OPEN = "state IN ('unborn', 'queued', 'sending', 'retrying')"
_MAY_GO = "is_head = 1 AND is_blocked = 0 AND state IN ('queued', 'retrying')"


def _part(name: str, columns: list[str], where: str, *, unique: bool = False) -> None:
    op.create_index(name, "deliveries", columns, unique=unique, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Add the columns, fill them from the states, and index them."""
    for name, default in (("is_head", "0"), ("rank", "1"), ("is_blocked", "0")):
        op.add_column("deliveries", sa.Column(name, Integer, nullable=False, server_default=default))
    op.add_column("deliveries", sa.Column("tables_digest", Text, nullable=False, server_default=""))
    op.execute(
        "UPDATE deliveries SET tables_digest = coalesce((SELECT s.tables_digest FROM results r JOIN strips s ON s.id = r.strip_id"
        " WHERE r.result_id = deliveries.result_id AND r.version = deliveries.version), '')"
    )
    op.execute(
        f"UPDATE deliveries SET is_blocked = 1 WHERE EXISTS (SELECT 1 FROM deliveries a WHERE a.id = deliveries.after AND a.{_OPEN})"
    )
    op.execute(  # what is being sent is let finish before an older one that a person sends again
        "UPDATE deliveries SET is_head = 1 WHERE id IN (SELECT coalesce(min(CASE WHEN state = 'sending' THEN id END), min(id))"
        f" FROM deliveries WHERE {_OPEN} GROUP BY destination, lane)"
    )
    op.execute(
        "UPDATE deliveries SET rank = 0 WHERE is_head = 1 AND EXISTS (SELECT 1 FROM deliveries u WHERE u.destination = deliveries.destination"
        f" AND u.lane = deliveries.lane AND u.priority = 'stat' AND u.{_OPEN})"
    )
    _part("deliveries_stat", ["destination", "lane"], f"{_OPEN} AND priority = 'stat'")
    _part("deliveries_tables", ["destination", "tables_digest"], _OPEN)
    _part("deliveries_head", ["destination", "lane"], "is_head = 1", unique=True)
    _part("deliveries_ready", ["destination", "rank", "id"], f"{_MAY_GO} AND due_at IS NULL")
    _part("deliveries_due", ["destination", "rank", "due_at"], f"{_MAY_GO} AND due_at IS NOT NULL")
    _part("deliveries_unborn", ["destination", "id"], "state = 'unborn' AND is_blocked = 0")
    _part("deliveries_sending", ["destination"], "state = 'sending'")
    _part("deliveries_after", ["after"], "after IS NOT NULL")
