"""What the purge asks of the store: the next few rows that are old enough, by id, from behind the last ones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.store.apply_purge import CLOCK, IS_OVER, is_open
from bridge.store.chain import ENTRY, MOST
from bridge.store.codec import microseconds, moment, when
from bridge.store.database import Db
from bridge.store.review import newest_moment
from bridge.store.rows import Old
from bridge.store.snapshots import one_snapshot

LOOKED_PAST = (
    4 * MOST
)  # ours: events looked at behind a stretch, for the rest of an entry that begins in it; so many writers at their busiest


class PurgeReads:
    """The reads of the purge; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def purge_clock(self) -> datetime | None:
        """Give when the clock was last held to be right: at the last purge, else at the newest event; None in a store in which nothing happened."""
        row = self._db().execute("SELECT value FROM meta WHERE name = ?", (CLOCK,)).fetchone()
        return moment(row[0]) if row else newest_moment(self._db())

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
        """Give events of which all that an entry of the chain binds is older than ``before`` and of nothing open.

        Entries that begin with one of the ``limit`` events behind the id ``after``. An entry whose events lie more than ``LOOKED_PAST`` ids
        apart, as several processes at their busiest could leave them, is not found, and kept.
        """
        db = self._db()
        found = db.execute(
            f"SELECT e.id, e.at_us < ?, k.subject, e.number, {ENTRY}, a.events FROM events e JOIN event_kinds k ON k.id = e.kind"
            f" LEFT JOIN audit_entries a ON a.id = {ENTRY} WHERE e.id > ? ORDER BY e.id LIMIT ?",
            (microseconds(before), after, limit + LOOKED_PAST),
        ).fetchall()
        entries: dict[int, list[Any]] = {}
        for row in found[:limit]:
            entries.setdefault(row[4], [])
        for row in found:
            if row[4] in entries:
                entries[row[4]].append(row)
        may_go = [rows for rows in entries.values() if rows[0][5] == len(rows) and all(row[1] for row in rows)]
        closed = [rows for rows in may_go if not any(is_open(db, row[2], row[3]) for row in rows)]
        is_end = not any(row[1] for row in found[:limit])
        return Old(ids=tuple(row[0] for rows in closed for row in rows), last=None if is_end else found[:limit][-1][0])


def _stretch(found: list[tuple[int, object, object]]) -> Old:
    """Rows come in the order of their ids, which is that of time but for a clock that was set: a stretch without an old row is the end."""
    ids = tuple(row_id for row_id, is_old, may_go in found if is_old and may_go)
    return Old(ids=ids, last=found[-1][0] if any(row[1] for row in found) else None)
