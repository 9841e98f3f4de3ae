"""What the purge asks of the store: the next few rows that are old enough, by id, from behind the last ones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from bridge.store.apply_purge import CLOCK, IS_OVER, is_open
from bridge.store.codec import moment_or_none, when
from bridge.store.database import Db
from bridge.store.rows import Old
from bridge.store.snapshots import one_snapshot


class PurgeReads:
    """The reads of the purge; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def purge_clock(self) -> datetime | None:
        """Give when the clock was last held to be right: at the last purge, else at the newest event; None in a store in which nothing happened."""
        row = self._db().execute("SELECT value FROM meta WHERE name = ?", (CLOCK,)).fetchone()
        row = row or self._db().execute("SELECT at FROM events ORDER BY id DESC LIMIT 1").fetchone()
        return moment_or_none(row[0] if row else None)

    @one_snapshot
    def old_captures(self, *, before: datetime, results: bool, after: int, limit: int) -> Old:
        """Give captures behind the id ``after`` that arrived before ``before`` and are over, of which something is left to purge.

        ``results``: what is left may be of their strips. At most ``limit`` rows are looked at.
        """
        left = "c.purged_at IS NULL"
        if results:
            left = f"({left} OR EXISTS (SELECT 1 FROM strips p WHERE p.capture_id = c.id AND p.purged_at IS NULL))"
        found = self._db().execute(
            f"SELECT c.id, c.arrived_at < ?, {left} AND {IS_OVER} FROM captures c WHERE c.id > ? ORDER BY c.id LIMIT ?",
            (when(before), after, limit),
        ).fetchall()  # fmt: skip
        return _stretch(found)

    @one_snapshot
    def old_events(self, *, before: datetime, after: int, limit: int) -> Old:
        """Give events behind the id ``after`` that are older than ``before``, apart from those of what is open; at most ``limit`` are looked at."""
        db = self._db()
        found = db.execute(
            "SELECT id, at < ?, subject FROM events WHERE id > ? ORDER BY id LIMIT ?", (when(before), after, limit)
        ).fetchall()
        return _stretch([(event_id, is_old, is_old and not is_open(db, subject)) for event_id, is_old, subject in found])


def _stretch(found: list[tuple[int, object, object]]) -> Old:
    """Rows come in the order of their ids, which is that of time but for a clock that was set: a stretch without an old row is the end."""
    ids = tuple(row_id for row_id, is_old, may_go in found if is_old and may_go)
    return Old(ids=ids, last=found[-1][0] if any(row[1] for row in found) else None)
