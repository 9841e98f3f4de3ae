"""Runs inside which something went missing: held strip by strip, and let go as a whole by a person."""

from __future__ import annotations

from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.store.apply_gate import judge_again
from bridge.store.codec import when
from bridge.store.commands import ConfirmRun, RecordOutcome
from bridge.store.database import Db
from bridge.store.statements import Change, note

CONFIRMED = "run confirmed"  # why a strip that was held for its run is judged again
GONE = "This run was confirmed already, or is no more. Look at the list again."
GROWN = "The run has grown since you opened the page. Compare its last specimen now."

_HELD = (
    "SELECT t.id, s.capture_id, s.idx FROM stops t JOIN strips s ON s.id = t.strip_id"
    " WHERE t.state = 'open' AND t.grp = 'held' AND t.rules LIKE '%\"number.shift\"%' AND s.analyzer = ?"
    " AND (s.capture_id, s.idx) >= (?, ?) AND (s.capture_id, s.idx) <= (?, ?) ORDER BY s.capture_id, s.idx"
)


def join_run(db: Db, command: RecordOutcome) -> None:
    """Let a held strip begin a run that waits for a person, or join it; where a person has confirmed that meanwhile, judge it again."""
    write = command.shift
    if write is None:
        return
    analyzer, seat = command.reading.analyzer, (command.capture_id, command.reading.index)
    db.hold(f"run:{analyzer}")
    if write.begins:
        db.execute(
            "INSERT INTO shifts (analyzer, cause, capture_id, idx, last_capture_id, last_idx, confirmed_by, verified, reason)"
            " VALUES (?,?,?,?,?,?,'','','')",
            (analyzer, write.cause, *seat, *seat),
        )
        return
    joined = db.execute(
        "UPDATE shifts SET last_capture_id = ?, last_idx = ? WHERE id = (SELECT max(id) FROM shifts WHERE analyzer = ?)"
        " AND confirmed_at IS NULL",
        (*seat, analyzer),
    ).rowcount
    if not joined:
        judge_again(db, analyzer, *seat, CONFIRMED)


def confirm_run(db: Db, command: ConfirmRun) -> int:
    """Let a held run go; give how many strips are judged again. Raises Overtaken where it was confirmed, or has grown."""
    found = db.execute("SELECT analyzer FROM shifts WHERE id = ?", (command.shift_id,)).fetchone()
    if found is None:
        raise Overtaken(GONE)
    (analyzer,) = found
    db.hold(f"run:{analyzer}")
    row = db.execute(
        f"SELECT capture_id, idx, last_capture_id, last_idx FROM shifts WHERE id = ? AND confirmed_at IS NULL{db.for_update}",
        (command.shift_id,),
    ).fetchone()
    if row is None:
        raise Overtaken(GONE)
    if tuple(row[2:]) != command.last:
        raise Overtaken(GROWN)
    db.execute(
        "UPDATE shifts SET confirmed_by = ?, verified = ?, confirmed_at = ?, reason = ? WHERE id = ?",
        (command.actor.name, command.actor.verified, when(command.at), command.reason, command.shift_id),
    )
    note(
        db,
        command.at,
        command.actor,
        "run.confirmed",
        f"run:{command.shift_id}",
        Change(after="confirmed", reason=command.reason),
    )
    held = db.execute(f"{_HELD}{db.for_update}", (analyzer, *row)).fetchall()
    for stop_id, capture_id, index in held:
        _release(db, command, stop_id)
        judge_again(db, analyzer, capture_id, index, CONFIRMED)
    return len(held)


def _release(db: Db, command: ConfirmRun, stop_id: int) -> None:
    by = f"{command.actor.name} ({command.actor.verified})"
    db.execute(
        "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = ?, closed_how = ?, closed_reason = ? WHERE id = ?",
        (when(command.at), by, StopEnd.RELEASED, command.reason, stop_id),
    )
    change = Change(before="open", after=StopEnd.RELEASED, reason=command.reason)
    note(db, command.at, command.actor, "stop.closed", f"stop:{stop_id}", change)
