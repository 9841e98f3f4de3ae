"""What the course of the day asks: strips by the minute, and how receivers' doors moved. Both cost what the day brought."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from bridge.bench.timeline import Move
from bridge.lifecycle.states import DestinationState
from bridge.store.codec import microseconds, moment_of, when
from bridge.store.database import Db
from bridge.store.reads_shown import bounds_of

_MINUTE = 16  # characters of a stored time: 2026-11-25T08:42
_MINUTES = (
    f"SELECT substr(arrived_at, 1, {_MINUTE}), count(*), sum(CASE WHEN outcome IN ('held', 'rejected', 'unreadable') THEN 1 ELSE 0 END)"
    f" FROM strips INDEXED BY strips_arrived WHERE arrived_at >= ? AND arrived_at < ? AND outcome <> 'superseded' GROUP BY substr(arrived_at, 1, {_MINUTE})"
)
_KINDS = "SELECT id, subject, before, after FROM event_kinds WHERE what = 'destination.state'"
_MOVES = "SELECT kind, at_us FROM events WHERE number = 0 AND kind = ? AND at_us >= ?"
_FLOWS = {"", DestinationState.OPEN.value}  # "": it was never heard of before


class CourseReads:
    """The reads of the day's course; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def arrivals(self, day: date, zone: ZoneInfo) -> tuple[tuple[datetime, int, int], ...]:
        """Give by the minute of a local day (UTC) how many strips arrived, and how many of them are stopped or could not be read."""
        found = self._db().execute(_MINUTES, bounds_of(day, zone)).fetchall()
        return tuple((datetime.fromisoformat(minute).replace(tzinfo=UTC), count, stopped) for minute, count, stopped in found)

    def came_between(self, since: datetime, until: datetime) -> bool:
        """Say whether any strip arrived from then until before then."""
        asked = "SELECT 1 FROM strips WHERE arrived_at >= ? AND arrived_at < ? LIMIT 1"
        return self._db().execute(asked, (when(since), when(until))).fetchone() is not None

    def door_moves(self, *, since: datetime) -> tuple[Move, ...]:
        """Give how receivers began and ceased to take messages since then, in order of time."""
        db = self._db()
        floor = microseconds(since)
        moves = [
            Move(destination=subject.partition(":")[2], at=moment_of(at_us), took=before in _FLOWS, takes=after in _FLOWS)
            for kind, subject, before, after in db.execute(_KINDS).fetchall()
            for _, at_us in db.execute(_MOVES, (kind, floor))
        ]
        return tuple(sorted(moves, key=lambda move: move.at))
