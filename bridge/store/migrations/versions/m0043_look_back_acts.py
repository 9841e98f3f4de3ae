"""The correction that a look-back's decision started."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer

revision = "0043"
down_revision = "0020"
branch_labels = None
depends_on = None

# What was decided before, when a person did it from the result's own page: the last withdrawal or correction of that strip, made since
_DONE_SINCE = """
    UPDATE look_backs SET correction_id = (
        SELECT max(c.id) FROM strips s JOIN corrections c ON c.result_id = s.result_id
        WHERE s.capture_id = look_backs.capture_id AND s.idx = look_backs.idx AND s.is_newest = 1 AND c.at >= look_backs.decided_at
        AND c.kind = CASE look_backs.verdict WHEN 'to be withdrawn' THEN 'withdrawn' ELSE 'corrected' END)
    WHERE verdict IN ('to be corrected', 'to be withdrawn')
"""


def upgrade() -> None:
    """Add the column, and the index by which what is open is found."""
    op.add_column("look_backs", sa.Column("correction_id", Integer, nullable=True))
    op.create_index("look_backs_verdict", "look_backs", ["verdict", "capture_id", "idx"])
    op.execute(_DONE_SINCE)
