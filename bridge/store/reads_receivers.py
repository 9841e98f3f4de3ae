"""What the page of receivers and the hand-over list ask. Every question costs what is new or open, however much was ever stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.hand_over import HandOver
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import DestinationState
from bridge.store import rows
from bridge.store.codec import moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.snapshots import one_snapshot

WINDOW = 2_000  # ours: the newest tries that are looked at: an hour of a busy hospital, a few milliseconds
# By the attempts' ids: tries are numbered in their order, and no index by time is kept for a page
_LATELY = (
    "SELECT d.destination, a.code, a.ended_at, d.accepted_at, a.started_at, d.id FROM (SELECT id, delivery_id, code, ended_at, started_at"
    " FROM attempts ORDER BY id DESC LIMIT ?) a JOIN deliveries d ON d.id = a.delivery_id ORDER BY a.id DESC"
)
_LAST_RECEIVED = (
    "SELECT last_code, accepted_at FROM deliveries WHERE destination = ? AND state = 'accepted' ORDER BY born_at DESC LIMIT 1"
)


class ReceiverReads:
    """The reads of pauses, flows and notes; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def pauses(self) -> tuple[Pause, ...]:
        """Give the pauses that nobody has ended, by destination."""
        found = self._db().execute(
            "SELECT destination, actor, at, reason FROM pauses WHERE ended_at IS NULL ORDER BY destination"
        )
        return tuple(Pause(destination=row[0], by=row[1], at=moment(row[2]), reason=row[3]) for row in found)

    def shut_destinations(self) -> tuple[str, ...]:
        """Give the destinations that were shut when somebody last said how they stand, by name."""
        found = self._db().execute("SELECT name FROM destinations WHERE state = ? ORDER BY name", (DestinationState.SHUT,))
        return tuple(str(name) for (name,) in found)

    def hand_over(self, *, since: datetime) -> tuple[HandOver, ...]:
        """Give the notes that stand, and those that were closed since then, in the order in which they were left."""
        query = "SELECT id, text, actor, at, closed_by, closed_at FROM hand_over WHERE closed_at IS NULL OR closed_at >= ? ORDER BY id"
        return tuple(map(_note, self._db().execute(query, (when(since),)).fetchall()))

    @one_snapshot
    def flows(self, destinations: tuple[str, ...], *, since: datetime) -> tuple[rows.FlowRow, ...]:
        """Give for each destination what it answered last, and how much it received since then, as far as the newest tries tell."""
        db = self._db()
        tries = db.execute(_LATELY, (WINDOW,)).fetchall()
        is_cut = len(tries) == WINDOW and moment(tries[-1][4]) >= since
        return tuple(
            self._flow(db, name, [row for row in tries if row[0] == name], since, is_cut=is_cut) for name in destinations
        )

    def _flow(self, db: Db, name: str, tries: list[Any], since: datetime, *, is_cut: bool) -> rows.FlowRow:
        over = next(((row[1], row[2]) for row in tries if row[2] is not None), None)
        code, at = over or db.execute(_LAST_RECEIVED, (name,)).fetchone() or ("", None)
        floor = when(since) or ""
        received = {row[5] for row in tries if row[3] is not None and row[3] >= floor}
        return rows.FlowRow(
            destination=name, last_code=code, last_at=moment_or_none(at), received=len(received), is_at_least=is_cut
        )


def _note(row: Any) -> HandOver:
    return HandOver(note_id=row[0], text=row[1], by=row[2], at=moment(row[3]), closed_by=row[4], closed_at=moment_or_none(row[5]))
