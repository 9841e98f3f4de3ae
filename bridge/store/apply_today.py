"""Pauses of receivers, and the notes of one shift for the next. A note's text is in no event: somebody may write a patient into it."""

from __future__ import annotations

from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.statements import Change, note, overtaken
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination

NEWS = "pauses"  # the name by which every process hears that a receiver was paused or resumed
PAUSED = "This receiver is paused already. Look at the page again."
NOT_PAUSED = "This receiver is not paused any more. Look at the page again."
CLOSED = "Somebody has closed this note already. Look at the list again."


def pause_destination(db: Db, command: PauseDestination) -> None:
    """Keep that a destination is paused. Raises Overtaken where it is paused already."""
    db.hold(NEWS)
    if db.execute("SELECT 1 FROM pauses WHERE destination = ? AND ended_at IS NULL", (command.destination,)).fetchone():
        raise overtaken(db, f"destination:{command.destination}", PAUSED)
    db.execute(
        "INSERT INTO pauses (destination, actor, verified, at, reason, ended_by, ended_reason) VALUES (?,?,?,?,?,'','')",
        (command.destination, command.actor.name, command.actor.verified, when(command.at), command.reason),
    )
    change = Change(after="paused", reason=command.reason)
    note(db, command.at, command.actor, "destination.paused", f"destination:{command.destination}", change)
    db.tell(NEWS)


def resume_destination(db: Db, command: ResumeDestination) -> None:
    """Keep that a destination's pause is over. Raises Overtaken where it is not paused."""
    ended = db.execute(
        "UPDATE pauses SET ended_by = ?, ended_at = ?, ended_reason = ? WHERE destination = ? AND ended_at IS NULL",
        (command.actor.name, when(command.at), command.reason, command.destination),
    ).rowcount
    if not ended:
        raise overtaken(db, f"destination:{command.destination}", NOT_PAUSED)
    change = Change(before="paused", after="resumed", reason=command.reason)
    note(db, command.at, command.actor, "destination.resumed", f"destination:{command.destination}", change)
    db.tell(NEWS)


def leave_note(db: Db, command: LeaveNote) -> int:
    """Keep a note; give its id."""
    new = db.insert(
        "INSERT INTO hand_over (text, actor, verified, at, closed_by) VALUES (?,?,?,?,'')",
        (command.text, command.actor.name, command.actor.verified, when(command.at)),
    )
    note_id = int(new)
    note(db, command.at, command.actor, "note.left", f"note:{note_id}", Change(after="open"))
    return note_id


def close_note(db: Db, command: CloseNote) -> None:
    """Close a note. Raises Overtaken where it is closed already, or never was."""
    closed = db.execute(
        "UPDATE hand_over SET closed_by = ?, closed_at = ? WHERE id = ? AND closed_at IS NULL",
        (command.actor.name, when(command.at), command.note_id),
    ).rowcount
    if not closed:
        raise overtaken(db, f"note:{command.note_id}", CLOSED)
    note(db, command.at, command.actor, "note.closed", f"note:{command.note_id}", Change(before="open", after="closed"))
