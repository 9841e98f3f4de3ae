"""What judging and the page Numbers ask of runs that may have shifted. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable

from bridge.bench.believed import read_at
from bridge.bench.gate import Seat
from bridge.bench.tally import FAULT_RULES
from bridge.model import RunFacts, RunState
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import ShiftShown
from bridge.store.snapshots import one_snapshot

# strips that were judged again have newer ids than the last one that was read: a few of the newest are looked at
_NEWEST = (
    "SELECT capture_id, idx, analyzed_at, arrived_at, findings, purpose FROM strips"
    " WHERE analyzer = ? AND outcome NOT IN ('copy', 'superseded', 'unreadable') ORDER BY id DESC LIMIT 20"
)
_LAST = "SELECT capture_id, idx, cause FROM shifts WHERE analyzer = ? AND confirmed_at IS NULL ORDER BY id DESC LIMIT 1"
_LAST_HELD = "SELECT confirmed_at FROM shifts WHERE analyzer = ? ORDER BY id DESC LIMIT 1"
_OF_SEAT = (
    "SELECT cause, confirmed_by FROM shifts WHERE analyzer = ? AND (capture_id, idx) <= (?, ?) AND (last_capture_id, last_idx) >= (?, ?)"
    " ORDER BY id DESC LIMIT 1"
)
_OPEN = (
    "SELECT id, analyzer, cause, capture_id, idx, last_capture_id, last_idx FROM shifts WHERE confirmed_at IS NULL ORDER BY id"
)
_WAITING = (
    f"{STRIP} WHERE id IN (SELECT t.strip_id FROM stops t WHERE t.state = 'open' AND t.grp = 'held' AND t.rules LIKE '%\"number.shift\"%')"
    " AND analyzer = ? AND (capture_id, idx) >= (?, ?) AND (capture_id, idx) <= (?, ?) ORDER BY capture_id, idx"
)


class ShiftReads:
    """The reads of held runs; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def last_run(self, analyzer: str) -> RunState | None:
        """Give how an analyzer's run stands after the last strip of it that was recorded; None where there is none."""
        newest = self._db().execute(_NEWEST, (analyzer,)).fetchall()
        if not newest:
            return None
        capture_id, index, printed, arrived, findings, purpose = max(newest, key=lambda row: tuple(row[:2]))
        row = self._db().execute(_LAST, (analyzer,)).fetchone()
        # a patient's strip that was not held for it is of a run that began later; a control's tells nothing
        is_held = (
            row is not None and tuple(row[:2]) <= (capture_id, index) and ('["number.shift"' in findings or purpose != "patient")
        )
        return RunState(
            printed_at=read_at(moment_or_none(printed), moment(arrived)),
            arrived_at=moment(arrived),
            has_fault=any(f'["{rule}"' in findings for rule in FAULT_RULES),
            broken_by=row[2] if is_held else "",
            is_held=is_held,
        )

    def is_run_held(self, analyzer: str) -> bool:
        """Say whether the last run of an analyzer that was held for what went missing in it still waits for a person."""
        row = self._db().execute(_LAST_HELD, (analyzer,)).fetchone()
        return row is not None and row[0] is None

    def held_run(self, analyzer: str, seat: Seat) -> RunFacts | None:
        """Give for what the run of a strip was held, and who has confirmed it; None where the strip stands in no such run."""
        row = self._db().execute(_OF_SEAT, (analyzer, *seat, *seat)).fetchone()
        return RunFacts(broken_by=row[0], confirmed_by=row[1]) if row else None

    @one_snapshot
    def held_runs(self) -> tuple[ShiftShown, ...]:
        """Give the runs that wait for a person, with the strips that wait for it still; oldest first."""
        shown = (
            ShiftShown(
                shift_id=row[0],
                analyzer=row[1],
                cause=row[2],
                last=(row[5], row[6]),
                strips=tuple(strip_row(each) for each in self._db().execute(_WAITING, (row[1], *row[3:]))),
            )
            for row in self._db().execute(_OPEN).fetchall()
        )
        return tuple(each for each in shown if each.strips)
