"""What judging and the page Controls ask of gates. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.gate import Gate, GateKey, Seat
from bridge.model import GateState
from bridge.store.codec import moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.gate_codec import gate_of
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import GateEventRow, GateReading, GateRow, LotShown, StripRow
from bridge.store.snapshots import one_snapshot

_OF_KEY = "analyzer = ? AND strip_type = ? AND strip_lot = ?"
EVENT = "SELECT id, analyzer, strip_type, strip_lot, at, capture_id, idx, what, before, after, level, run, actor, verified, reason, decides FROM gate_events"


_LAST = (
    f"SELECT id, after FROM gate_events WHERE {_OF_KEY} AND (at, capture_id, idx) < (?, ?, ?)"
    " ORDER BY at DESC, capture_id DESC, idx DESC, id DESC LIMIT 1"
)
_AHEAD = f"SELECT id, after FROM gate_events WHERE {_OF_KEY} AND at > ? AND capture_id > 0 AND (capture_id, idx) < (?, ?) ORDER BY id DESC LIMIT 1"
_FOLLOWING = (
    f"SELECT decides FROM gate_events WHERE {_OF_KEY} AND (at, capture_id, idx) > (?, ?, ?) AND decides IS NOT NULL"
    " AND (capture_id, idx) > (?, ?) ORDER BY at, capture_id, idx, id LIMIT 1"
)
# Of all that was sent only what something was noted of; newest first through all strips would be the planner's choice
_IN_SPITE = (
    f"{STRIP} INDEXED BY strips_noted WHERE arrived_at >= ? AND outcome = 'coded' AND findings <> '[]'"
    """ AND findings LIKE '%["controls.%' ORDER BY id DESC LIMIT ?"""
)


class GateReads:
    """The reads of gates; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def gate_reading(self, key: GateKey, *, arrived_at: datetime, seat: Seat) -> GateReading:
        """Give a gate as it was last moved, and how it stood around a strip that arrived then and there."""
        of = (key.analyzer, key.strip_type, key.strip_lot)
        row = self._db().execute(f"SELECT content FROM gates WHERE {_OF_KEY}", of).fetchone()
        if row is None:
            return GateReading(gate=Gate(), at_reading=GateState.START, decided_next=None)
        here = (when(arrived_at), *seat)
        last = self._db().execute(_LAST, (*of, *here)).fetchone()
        # a control whose capture came before the strip, at a later time: a clock was ahead, and was set right between them
        ahead = self._db().execute(_AHEAD, (*of, when(arrived_at), *seat)).fetchone()
        last = max((each for each in (last, ahead) if each), default=None)
        following = self._db().execute(_FOLLOWING, (*of, *here, *seat)).fetchone()
        return GateReading(
            gate=gate_of(row[0]),
            at_reading=GateState(last[1]) if last else GateState.START,
            decided_next=None if following is None else bool(following[0]),
        )

    def is_behind_waiting(self, key: GateKey, *, patient_id: str, seat: Seat) -> bool:
        """Say whether a strip of the patient that was read before ``seat`` waits for the same gate still, or to be judged again."""
        found = self._db().execute(
            f"SELECT 1 FROM strips WHERE {_OF_KEY} AND outcome = 'waiting' AND patient_id = ? AND (capture_id, idx) < (?, ?) LIMIT 1",
            (key.analyzer, key.strip_type, key.strip_lot, patient_id, *seat),
        )
        return found.fetchone() is not None

    @one_snapshot
    def gates(self) -> tuple[GateRow, ...]:
        """Give every gate that something happened to or that a strip waits for, by analyzer, strip type and lot."""
        waiting = "SELECT analyzer, strip_type, strip_lot, count(*) FROM strips WHERE outcome = 'waiting' GROUP BY analyzer, strip_type, strip_lot"
        counts = {tuple(row[:3]): row[3] for row in self._db().execute(waiting)}
        kept = {
            tuple(row[:3]): gate_of(row[3])
            for row in self._db().execute("SELECT analyzer, strip_type, strip_lot, content FROM gates")
        }
        return tuple(
            GateRow(
                key=GateKey(analyzer=of[0], strip_type=of[1], strip_lot=of[2]),
                gate=kept.get(of, Gate()),
                waiting=counts.get(of, 0),
            )
            for of in sorted({*counts, *kept})
        )

    def gate_events(
        self, *, since: datetime | None = None, until: datetime | None = None, before: int | None = None, limit: int = 100
    ) -> tuple[GateEventRow, ...]:
        """Give what happened to gates, newest first: since a time, until another (not included), and before an event id."""
        asked = {"at >= ?": since and when(since), "at < ?": until and when(until), "id < ?": before}
        chosen = {clause: value for clause, value in asked.items() if value is not None}
        where = f" WHERE {' AND '.join(chosen)}" if chosen else ""
        found = self._db().execute(f"{EVENT}{where} ORDER BY id DESC LIMIT ?", (*chosen.values(), limit))
        return tuple(event_row(row) for row in found)

    def control_lots(self) -> tuple[LotShown, ...]:
        """Give the lots that people entered and that are in use, oldest first."""
        found = self._db().execute(
            "SELECT id, content, entered_by, entered_at, signed_by, signed_at FROM control_lots WHERE closed_at IS NULL ORDER BY id"
        )
        return tuple(
            LotShown(
                lot_id=row[0],
                content=row[1],
                entered_by=row[2],
                entered_at=moment(row[3]),
                signed_by=row[4],
                signed_at=moment_or_none(row[5]),
            )
            for row in found
        )

    def sent_in_spite(self, *, since: datetime, limit: int = 200) -> tuple[StripRow, ...]:
        """Give the strips that arrived since then and were sent though their controls were not right, newest first."""
        found = self._db().execute(
            _IN_SPITE,
            (when(since), limit),
        )
        return tuple(strip_row(row) for row in found)


def event_row(row: Any) -> GateEventRow:
    """Give a row of ``EVENT``."""
    return GateEventRow(
        event_id=row[0], key=GateKey(analyzer=row[1], strip_type=row[2], strip_lot=row[3]), at=moment(row[4]), capture_id=row[5], index=row[6],
        what=row[7], before=GateState(row[8]), after=GateState(row[9]), level=row[10], run=row[11], actor=row[12], verified=row[13], reason=row[14],
        decides=None if row[15] is None else bool(row[15]),
    )  # fmt: skip
