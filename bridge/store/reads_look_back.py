"""What the page Controls asks of look-backs. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.bench.look_back import Verdict
from bridge.lifecycle.states import OVER_DELIVERY
from bridge.model import DeliveryState
from bridge.store.codec import moment_or_none
from bridge.store.database import Db
from bridge.store.reads_corrections import correction_of
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import LookBackShown
from bridge.store.snapshots import one_snapshot

_ROW = "SELECT l.id, l.capture_id, l.idx, l.failed_capture_id, l.failed_idx, l.verdict, l.actor, l.verified, l.decided_at, l.reason, l.correction_id FROM look_backs l"
_OPEN = f"{_ROW} WHERE l.verdict = '' ORDER BY l.capture_id, l.idx LIMIT ?"
_DECIDED = f"{_ROW} WHERE l.verdict <> '' ORDER BY l.decided_at DESC, l.id DESC LIMIT ?"
_VERSION = "SELECT max(version) FROM results WHERE result_id = ?"
# the version that takes a result back, or that stands instead of it
_STANDING = (
    "SELECT d.destination, d.state FROM corrections c JOIN deliveries d ON d.result_id = c.result_id"
    " AND d.version = coalesce(c.withdrawn_version, c.new_version) WHERE c.id = ? ORDER BY d.id"
)
_OVER = ", ".join(f"'{state}'" for state in sorted(OVER_DELIVERY))
_UNDER_WAY = (
    f"{_ROW} WHERE l.verdict IN ('{Verdict.CORRECTED}', '{Verdict.WITHDRAWN}') AND (l.correction_id IS NULL OR EXISTS ("
    "SELECT 1 FROM corrections c JOIN deliveries d ON d.result_id = c.result_id AND d.version = coalesce(c.withdrawn_version, c.new_version)"
    f" WHERE c.id = l.correction_id AND d.state NOT IN ({_OVER}))) ORDER BY l.decided_at DESC, l.id DESC LIMIT ?"
)


class LookBackReads:
    """The reads of look-backs; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def look_backs(self, *, is_open: bool, limit: int = 500) -> tuple[LookBackShown, ...]:
        """Give results that left before a control failed: those that nobody has decided about, as they were read, or the others, latest first."""
        found = self._db().execute(_OPEN if is_open else _DECIDED, (limit,)).fetchall()
        return tuple(self._look_back(row) for row in found)

    @one_snapshot
    def look_backs_under_way(self, *, limit: int = 500) -> tuple[LookBackShown, ...]:
        """Give those decided to be corrected or withdrawn of which some receiver has not heard, or that nobody has done yet, latest first."""
        return tuple(self._look_back(row) for row in self._db().execute(_UNDER_WAY, (limit,)).fetchall())

    def _look_back(self, row: Any) -> LookBackShown:
        db = self._db()
        strip = strip_row(db.execute(f"{STRIP} WHERE capture_id = ? AND idx = ? AND is_newest = 1", row[1:3]).fetchone())
        (version,) = db.execute(_VERSION, (strip.result_id,)).fetchone()
        standing = () if row[10] is None else db.execute(_STANDING, (row[10],)).fetchall()
        return LookBackShown(
            row_id=row[0], strip=strip, failed_capture_id=row[3], failed_index=row[4], verdict=Verdict(row[5]) if row[5] else None,
            actor=row[6], verified=row[7], decided_at=moment_or_none(row[8]), reason=row[9], version=version or 0,
            correction=None if row[10] is None else correction_of(db, row[10]),
            standing=tuple((destination, DeliveryState(state)) for destination, state in standing),
        )  # fmt: skip
