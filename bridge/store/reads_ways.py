"""What the ways in ask of the store, to tell a sender what became of its capture. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable

from bridge.store.database import Db
from bridge.store.rows import CaptureState, StripState


class WayReads:
    """The reads of the ways in; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def capture_state(self, capture_id: int) -> CaptureState | None:
        """Give what became of a capture, strip by strip, without anything of a patient; None if there is none."""
        kept = self._db().execute("SELECT source, analyzer, digest FROM captures WHERE id = ?", (capture_id,)).fetchone()
        if kept is None:
            return None
        waits = self._db().execute(
            "SELECT 1 FROM intake WHERE analyzer = ? AND ended_at IS NULL AND capture_id = ?", (kept[1], capture_id)
        ).fetchone()  # fmt: skip
        strips = self._db().execute(
            "SELECT s.idx, s.outcome, s.result_id, coalesce(t.rule, ''), coalesce(t.grp, ''), CASE WHEN s.copy_of IS NULL THEN t.place_start END"
            " FROM strips s LEFT JOIN stops t ON t.strip_id = coalesce(s.copy_of, s.id) AND t.state = 'open' AND t.delivery_id IS NULL"
            " WHERE s.capture_id = ? AND s.is_newest = 1 ORDER BY s.idx, t.id",
            (capture_id,),
        )  # fmt: skip
        states = {
            row[0]: StripState(index=row[0], outcome=row[1], result_id=row[2], rule=row[3], group=row[4], place_start=row[5])
            for row in strips
        }
        return CaptureState(source=kept[0], digest=kept[2], is_judged=waits is None, strips=tuple(states.values()))
