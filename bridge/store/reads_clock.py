"""What judging and the page Analyzers ask about analyzers' clocks. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable

from bridge.bench.clock import Heard
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db

UNCERTAIN = frozenset(
    {"time.skipped_hour", "time.repeated_hour"}
)  # the printed time stands for another instant, or for one of two

# A capture has other strips if one of them has the index 1: they are counted from 0
_HEARD = (
    "SELECT s.capture_id, s.idx, s.arrived_at, s.analyzed_at, c.live, s.findings,"
    " EXISTS (SELECT 1 FROM strips n WHERE n.capture_id = s.capture_id AND n.idx = 1)"
    " FROM strips s JOIN captures c ON c.id = s.capture_id WHERE s.analyzer = ? AND s.is_newest = 1 AND s.outcome <> 'copy'"
)


class ClockReads:
    """The reads of clocks; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def heard_strips(self, analyzer: str, *, until: int | None = None, limit: int) -> tuple[Heard, ...]:
        """Give the newest strips of an analyzer, no copies, as far as they tell of its clock, up to a capture."""
        newest = "" if until is None else " AND s.capture_id <= ?"
        values = (analyzer, limit) if until is None else (analyzer, until, limit)
        return tuple(
            Heard(
                seat=(row[0], row[1]),
                arrived_at=moment(row[2]),
                printed_at=moment_or_none(row[3]),
                is_live=bool(row[4]),
                is_alone=row[1] == 0 and not row[6],
                is_certain=not any(f'"{rule}"' in row[5] for rule in UNCERTAIN),
            )
            for row in self._db().execute(f"{_HEARD}{newest} ORDER BY s.id DESC LIMIT ?", values)
        )
