"""What the pages and judging ask of additions. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.added import Addable, AddedFacts, Addition
from bridge.store.codec import json_of, moment, moment_or_none
from bridge.store.database import Db
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import AwaitedRow
from bridge.store.snapshots import one_snapshot

OPEN, ADDED, WENT, HELD, OVER = "open", "added", "went", "held", "over"  # how a wait stands, or how it ended
_AWAITED = "SELECT id, capture_id, idx, result_id, version, asks, due_at, holds, state FROM additions_awaited"
# The open ones alone: by its key the list would walk along every wait that there ever was
_WAITING = f"{_AWAITED} a INDEXED BY additions_awaited_open WHERE a.state = 'open'"
_ADDED = "SELECT what, word, actor, at FROM additions WHERE capture_id = ? AND idx = ? AND record_digest = ? ORDER BY id"
_WAS_HELD = "SELECT 1 FROM additions_awaited WHERE capture_id = ? AND idx = ? AND state = 'held' LIMIT 1"
MOST_FOUND = 500  # ours: open waits that a number is looked for in; a bench has some dozens


def added_facts(db: Db, capture_id: int, index: int, record_digest: str) -> AddedFacts | None:
    """Give what was added to a reading, and whether its time was over; None where neither is so."""
    values = tuple(
        Addition(what=Addable(what), word=word, by=actor, at=moment(at))
        for what, word, actor, at in db.execute(_ADDED, (capture_id, index, record_digest))
    )
    is_overdue = db.execute(_WAS_HELD, (capture_id, index)).fetchone() is not None
    return AddedFacts(values=values, is_overdue=is_overdue) if values or is_overdue else None


def added_by(db: Db, capture_id: int, index: int) -> str:
    """Give who added to a reading last, "" for nobody."""
    row = db.execute(
        "SELECT actor FROM additions WHERE capture_id = ? AND idx = ? ORDER BY id DESC LIMIT 1", (capture_id, index)
    ).fetchone()
    return str(row[0]) if row else ""


class AdditionReads:
    """The reads of additions; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def awaited(self, *, after: int | None = None, limit: int = 100) -> tuple[AwaitedRow, ...]:
        """Give the results that wait for additions, in the order in which they came; behind the row ``after``."""
        found = self._db().execute(f"{_WAITING} AND a.id > ? ORDER BY a.id LIMIT ?", (after or 0, limit)).fetchall()
        return tuple(self._awaited_row(row) for row in found)

    @one_snapshot
    def awaited_one(self, awaited_id: int) -> AwaitedRow | None:
        """Give one wait, over or not."""
        row = self._db().execute(f"{_AWAITED} WHERE id = ?", (awaited_id,)).fetchone()
        return self._awaited_row(row) if row else None

    @one_snapshot
    def awaited_of(self, result_id: str) -> AwaitedRow | None:
        """Give the open wait of a result."""
        row = self._db().execute(f"{_AWAITED} WHERE state = 'open' AND result_id = ?", (result_id,)).fetchone()
        return self._awaited_row(row) if row else None

    def awaited_count(self) -> int:
        """Count the results that wait for additions."""
        return int(self._db().execute("SELECT count(*) FROM additions_awaited WHERE state = 'open'").fetchone()[0])

    @one_snapshot
    def awaited_named(self, text: str) -> tuple[AwaitedRow, ...]:
        """Give the results that wait and whose strip has ``text`` as its number, specimen ID or patient ID, sign by sign."""
        found = self._db().execute(
            f"{_WAITING} AND EXISTS (SELECT 1 FROM strips s WHERE s.capture_id = a.capture_id AND s.idx = a.idx"
            " AND s.is_newest = 1 AND (s.number = ? OR s.specimen_id = ? OR s.patient_id = ?)) ORDER BY a.id LIMIT ?",
            (text, text, text, MOST_FOUND),
        ).fetchall()  # fmt: skip
        return tuple(self._awaited_row(row) for row in found)

    def next_awaited_due(self) -> datetime | None:
        """Give when the next wait for additions is over; None where none is."""
        row = self._db().execute("SELECT min(due_at) FROM additions_awaited WHERE state = 'open'").fetchone()
        return moment_or_none(row[0])

    def _awaited_row(self, row: Any) -> AwaitedRow:
        strip = self._db().execute(f"{STRIP} WHERE capture_id = ? AND idx = ? AND is_newest = 1", (row[1], row[2])).fetchone()
        return AwaitedRow(
            awaited_id=row[0],
            strip=strip_row(strip),
            result_id=row[3],
            version=row[4],
            asks=tuple(Addable(str(what)) for what in json_of(row[5])),
            due_at=moment(row[6]),
            holds=bool(row[7]),
            state=row[8],
            added_by=added_by(self._db(), row[1], row[2]) if row[8] == ADDED else "",
        )
