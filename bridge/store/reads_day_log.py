"""What judging and the page of the day log ask of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.day_log import Degrees, Found, KeptLine, LogLine
from bridge.store.codec import moment, when
from bridge.store.database import Db
from bridge.tables.day_log_table import DayItem

_LINE = "SELECT id, analyzer, item, done_at, found, typed, scale, remark, corrects, reason, entered_by, verified, entered_at FROM day_log"


class DayLogReads:
    """The reads of day logs; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def day_log(self, *, since: datetime, until: datetime | None = None) -> tuple[KeptLine, ...]:
        """Give the lines of what was done since a moment and before another, corrected ones too, in the order in which they were entered."""
        ends = "" if until is None else " AND done_at < ?"
        values = (when(since),) if until is None else (when(since), when(until))
        return tuple(map(_kept, self._db().execute(f"{_LINE} WHERE done_at >= ?{ends} ORDER BY id", values).fetchall()))

    def day_log_line(self, line_id: int) -> KeptLine | None:
        """Give one line; None where there is none."""
        row = self._db().execute(f"{_LINE} WHERE id = ?", (line_id,)).fetchone()
        return _kept(row) if row is not None else None


def _kept(row: Any) -> KeptLine:
    line = LogLine(
        analyzer=row[1], item=DayItem(row[2]), done_at=moment(row[3]), found=Found(row[4]), typed=row[5], scale=Degrees(row[6]) if row[6] else None,
        remark=row[7],
    )  # fmt: skip
    return KeptLine(
        line_id=row[0],
        line=line,
        corrects=row[8],
        reason=row[9],
        entered_by=row[10],
        verified=row[11],
        entered_at=moment(row[12]),
    )
