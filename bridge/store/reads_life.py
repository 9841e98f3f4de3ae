"""What judging and the page Analyzers ask of what happened to analyzers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.analyzer_life import Happened, KeptHappening, LifeEvent
from bridge.store.codec import moment, when
from bridge.store.database import Db

_EVENT = "SELECT id, analyzer, what, happened_at, text, reason, entered_by, verified, entered_at FROM analyzer_events"


def life_of(db: Db, analyzer: str) -> tuple[KeptHappening, ...]:
    """Give all that happened to one analyzer, in the order in which it was entered."""
    return tuple(map(_kept, db.execute(f"{_EVENT} WHERE analyzer = ? ORDER BY id", (analyzer,)).fetchall()))


class LifeReads:
    """The reads of analyzers' lives; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def life_events(self, *, since: datetime) -> tuple[KeptHappening, ...]:
        """Give what happened to analyzers since then, and of before the last of each kind, in the order in which it was entered."""
        last = "SELECT max(id) FROM analyzer_events WHERE happened_at < ? GROUP BY analyzer, what"
        found = self._db().execute(f"{_EVENT} WHERE happened_at >= ? OR id IN ({last}) ORDER BY id", (when(since), when(since)))
        return tuple(map(_kept, found.fetchall()))


def _kept(row: Any) -> KeptHappening:
    happened = Happened(analyzer=row[1], what=LifeEvent(row[2]), at=moment(row[3]), text=row[4], reason=row[5])
    return KeptHappening(event_id=row[0], happened=happened, entered_by=row[6], verified=row[7], entered_at=moment(row[8]))
