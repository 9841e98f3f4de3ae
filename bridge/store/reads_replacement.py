"""What the pages ask of specimens that were run again. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable

from bridge.store.database import Db
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import StripRow
from bridge.store.snapshots import one_snapshot

_OF = "SELECT specimen_id, patient_printed, capture_id, idx FROM strips WHERE id = ?"
_OTHERS = (
    f"{STRIP} WHERE specimen_id = ? AND specimen_id <> '' AND patient_printed = ? AND NOT (capture_id = ? AND idx = ?) AND is_newest = 1"
    " AND purpose = 'patient' ORDER BY id DESC LIMIT ?"
)
_REPLACING = (
    f"{STRIP} WHERE is_newest = 1 AND (capture_id, idx) IN (SELECT p.capture_id, p.idx FROM replacements p"
    " JOIN corrections c ON c.id = p.correction_id WHERE c.result_id = ?)"
)


class ReplacementReads:
    """The reads of strips of one specimen; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def specimen_strips(self, strip_id: int, *, limit: int = 50) -> tuple[StripRow, ...]:
        """Give the other patients' strips with the printed patient ID and the specimen number of a strip, newest first."""
        of = self._db().execute(_OF, (strip_id,)).fetchone()
        found = self._db().execute(_OTHERS, (*of, limit)).fetchall() if of and of[0] else ()
        return tuple(strip_row(row) for row in found)

    def replacing(self, result_id: str) -> StripRow | None:
        """Give the strip whose result takes the place of one that was withdrawn for it; None where it was not."""
        row = self._db().execute(_REPLACING, (result_id,)).fetchone()
        return strip_row(row) if row else None
